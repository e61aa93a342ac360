"""What the service manager is told, heard by a socket of ours."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from drydown.service.notify import Notifier


class Now:
    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A socket that listens, and its address as NOTIFY_SOCKET has it."""
    abstract = request.param == "abstract"
    name = f"drydown-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        try:
            heard.bind(f"\0{name}" if abstract else name)
        except OSError:
            pytest.skip("no sockets without a file on this system")
        heard.setblocking(False)
        yield heard, f"@{name}" if abstract else name


def said(heard: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(heard.recv(4096).decode())
        except BlockingIOError:
            return found


def test_ready_a_line_for_a_person_and_the_end_are_told(manager: tuple[socket.socket, str]) -> None:
    heard, address = manager
    notifier = Notifier({"NOTIFY_SOCKET": address})
    notifier.ready()
    notifier.say("2 queued\nREADY=0")
    notifier.say("2 queued\nREADY=0")
    notifier.beat()
    notifier.stopping()
    assert said(heard) == ["READY=1", "STATUS=2 queued READY=0", "STOPPING=1"]


def test_signs_of_life_come_twice_within_the_managers_patience(manager: tuple[socket.socket, str]) -> None:
    heard, address = manager
    now = Now()
    environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}
    notifier = Notifier(environment, now)
    for _ in range(100):  # 50 s of a loop that turns twice a second
        notifier.beat()
        now.s += 0.5
    assert said(heard) == ["WATCHDOG=1"] * 10


@pytest.mark.parametrize(
    "more", [{}, {"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": "soon"}]
)
def test_nobody_asked_for_signs_of_life(manager: tuple[socket.socket, str], more: dict[str, str]) -> None:
    heard, address = manager
    Notifier({"NOTIFY_SOCKET": address, **more}).beat()
    assert said(heard) == []


@pytest.mark.parametrize(
    "environment", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}, {"NOTIFY_SOCKET": "x" * 300}]
)
def test_without_a_manager_or_with_a_dead_one_nothing_happens(environment: dict[str, str]) -> None:
    notifier = Notifier({**environment, "WATCHDOG_USEC": "1000000"})
    notifier.ready()
    notifier.beat()
    notifier.say("idle")
    notifier.stopping()
