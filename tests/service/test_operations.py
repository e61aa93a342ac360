"""The real daemon as an operator meets it: what it tells the service manager, what it says of itself, a backup that was restored, old originals."""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.e2e.studio import drydown, make_studio, picture

from drydown.jobs.ledger import LedgerView
from drydown.jobs.places import Places

DEADLINE_S = 60.0  #: only reached when a test fails


class Manager:
    """A service manager's ear: it listens all the time, as a real one does."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._said: queue.Queue[str] = queue.Queue()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()

    def wait_for(self, text: str) -> None:
        while text not in self._said.get(timeout=DEADLINE_S):
            continue

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
            end.sendto(b"", self._socket.getsockname())
        self._listener.join()
        self._socket.close()

    def _listen(self) -> None:
        while message := self._socket.recv(4096):
            self._said.put(message.decode())


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(tmp_path / "notify")
    yield manager
    manager.close()


@pytest.fixture
def watch(tmp_path: Path, manager: Manager) -> Iterator[Callable[[Path], subprocess.Popen[bytes]]]:
    """Start a daemon on a studio; every one is ended with the test."""
    started: list[subprocess.Popen[bytes]] = []

    def start(root: Path) -> subprocess.Popen[bytes]:
        environment = os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}
        command = [sys.executable, "-m", "drydown", "--studio", str(root), "watch"]
        started.append(subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL))
        return started[-1]

    yield start
    for process in started:
        process.kill()
        process.wait()


def until(found: Callable[[], bool]) -> None:
    end = time.monotonic() + DEADLINE_S
    while not found():
        assert time.monotonic() < end
        time.sleep(0.1)


def jobs(root: Path) -> list[tuple[str, str]]:
    with LedgerView.read(Places(root).ledger) as ledger:
        return [(row.id, row.state) for row in ledger.jobs()]


def test_a_day_in_the_life_of_a_service(
    tmp_path: Path, manager: Manager, watch: Callable[[Path], subprocess.Popen[bytes]]
) -> None:
    root = make_studio(tmp_path / "studio")
    assert drydown(root, "check", "--live").returncode == 4
    os.mkfifo(root / "hot" / "final" / "pipe\x1b[2J.jpg")
    daemon = watch(root)
    manager.wait_for("READY=1")
    picture(root / "hot" / "final" / "one.jpg", width=300, height=200)
    until(lambda: len(list((root / "prints" / "final").glob("*.tif"))) == 1)
    manager.wait_for("WATCHDOG=1")
    manager.wait_for("STATUS=0 at work, 0 queued, 1 in the hot folders")

    until(lambda: [state for _, state in jobs(root)] == ["completed"])
    manager.wait_for("WATCHDOG=1")
    live = drydown(root, "check", "--live")
    assert live.returncode == 0 and "events and rescans" in live.stdout
    assert r"oldest: pipe\x1b[2J.jpg" in live.stdout and "\x1b" not in live.stdout
    told = json.loads(drydown(root, "check", "--live", "--json").stdout)
    assert told["pid"] == daemon.pid and not told["stale"]
    assert [(folder["name"], folder["mode"], folder["waiting"]) for folder in told["folders"]] == [
        ("final", "events", 1),
        ("look", "events", 0),
    ]
    assert 0 <= told["folders"][0]["looked_at_s_ago"] < 60
    assert "waits" in (listed := drydown(root, "jobs").stdout) and "a pipe, socket or device" in listed

    _back_up_and_restore(root, tmp_path, daemon, manager, watch)


def _back_up_and_restore(
    root: Path,
    tmp_path: Path,
    daemon: subprocess.Popen[bytes],
    manager: Manager,
    watch: Callable[[Path], subprocess.Popen[bytes]],
) -> None:
    """The backup is made while the daemon works, and is older than the folders: a second picture is printed after it."""
    backup = tmp_path / "backup"
    made = drydown(root, "backup", str(backup))
    assert made.returncode == 0 and (backup / "state" / "ledger.db").exists(), made.stderr
    assert drydown(root, "backup", str(backup)).returncode == 5  # never over another one
    before = jobs(root)
    picture(root / "hot" / "final" / "two.jpg", width=300, height=200, seed=2)
    until(lambda: sum(state == "completed" for _, state in jobs(root)) == 2)
    daemon.send_signal(signal.SIGTERM)
    manager.wait_for("STOPPING=1")
    assert daemon.wait(DEADLINE_S) == 0
    assert drydown(root, "check", "--live").returncode == 4

    for name in ("originals", "prints", "hot"):  # copied after the ledger, as the page says
        subprocess.run(["cp", "-a", str(root / name), str(backup)], check=True)
    root.rename(tmp_path / "the disk that died")
    backup.rename(root)
    restored = watch(root)
    manager.wait_for("READY=1")
    sheets = sorted(path.name for path in (root / "prints" / "final").glob("*.tif"))
    assert set(before) <= set(jobs(root)) and len(sheets) == 2
    picture(root / "hot" / "final" / "three.jpg", width=300, height=200, seed=3)
    until(lambda: len(list((root / "prints" / "final").glob("three*.tif"))) == 1)
    assert sheets == sorted(
        path.name for path in (root / "prints" / "final").glob("*.tif") if not path.name.startswith("three")
    )
    restored.send_signal(signal.SIGTERM)
    assert restored.wait(DEADLINE_S) == 0


def test_old_originals_are_shown_first_and_go_only_when_that_is_asked_for(tmp_path: Path) -> None:
    root = make_studio(tmp_path / "studio")
    refused = drydown(root, "tidy")
    assert refused.returncode == 4 and "originals_days" in refused.stderr
    (root / "studio.toml").write_text(
        (root / "studio.toml").read_text() + "\n[retention]\noriginals_days = 30\n"
    )
    assert drydown(root, "run", "small", str(picture(tmp_path / "mine.jpg"))).returncode == 0
    shown = drydown(root, "tidy", "--remove")
    assert shown.returncode == 0 and "0 originals" in shown.stderr  # young, and a person's own file besides
    assert (tmp_path / "mine.jpg").exists()
