"""A folder on a share that may hang: its answers come when they come, and nobody waits for them."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator

import pytest

from drydown.intake import folderscan
from drydown.intake.apart import LATE_S, Apart
from drydown.intake.claim import claim
from drydown.intake.folder import HotFolder
from drydown.intake.found import Found, IntakeTimes

DEADLINE_S = 20.0  #: only reached when a test fails
TIMES = IntakeTimes(quiet_network_s=1.0)


class Server:
    """A file server that can go away: whoever opens the folder then waits until it is back."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.there = threading.Event()
        self.there.set()
        self.opened = 0
        real = folderscan.opened

        @contextlib.contextmanager
        def opened(folder: HotFolder) -> Iterator[int]:
            self.opened += 1
            assert self.there.wait(DEADLINE_S)
            with real(folder) as fd:
                yield fd

        monkeypatch.setattr(folderscan, "opened", opened)


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    server = Server(monkeypatch)
    yield server
    server.there.set()


@pytest.fixture
def hints() -> queue.Queue[str]:
    return queue.Queue()


@pytest.fixture
def apart(hot: HotFolder, hints: queue.Queue[str], server: Server) -> Apart:
    return Apart(hot, TIMES, hints.put, lambda _path: "network", moment_s=DEADLINE_S)


def look(apart: Apart, now: float, want: int | None = 9, told: tuple[str, ...] = ()) -> Found:
    return apart.scan(now, told, everything=False, want=want)


def names(found: Found) -> list[str]:
    return [ready.name for ready in found.ready]


def test_a_share_that_is_well_answers_at_once(hot: HotFolder, apart: Apart) -> None:
    (hot.path / "a.jpg").write_bytes(b"a picture")
    assert look(apart, 100.0).waiting == 1
    found = look(apart, 101.1)
    assert names(found) == ["a.jpg"]
    (ready,) = found.ready
    assert claim(ready, "0abc123def456", 0.0)
    apart.taken(ready)
    assert apart.states(101.2, 5)[0].waiting == 0
    assert look(apart, 110.0).ready == ()


def test_it_is_not_touched_before_its_time(hot: HotFolder, apart: Apart, server: Server) -> None:
    look(apart, 100.0)
    opened = server.opened
    for tenth in range(1, 20):
        assert look(apart, 100.0 + tenth / 10).look_again_s == pytest.approx(2.0 - tenth / 10)
    assert server.opened == opened
    look(apart, 100.5, told=(f"{hot.path}/a.jpg",))
    assert server.opened > opened


def test_while_the_server_is_away_nobody_waits_and_a_late_answer_is_announced(
    hot: HotFolder, hints: queue.Queue[str], server: Server
) -> None:
    apart = Apart(hot, TIMES, hints.put, lambda _path: "network", moment_s=0.01)
    (hot.path / "a.jpg").write_bytes(b"a picture")
    server.there.clear()
    threads = threading.active_count()
    for second in range(int(LATE_S)):
        found = look(apart, 100.0 + second)
        assert (found.ready, found.problems) == ((), ())
    assert threading.active_count() == threads + 1  # one that hangs, not twenty
    late = look(apart, 100.0 + LATE_S)
    assert "does not answer" in late.problems[0].what and late.problems[0].new
    assert not look(apart, 101.0 + LATE_S).problems[0].new
    assert apart.waiting(101.0 + LATE_S) == []
    server.there.set()
    assert hints.get(timeout=DEADLINE_S) == str(hot.path)
    found = look(apart, 130.0)
    assert (found.waiting, found.problems) == (1, ())


def test_a_late_answer_gives_no_more_than_there_is_room_for_by_then(
    hot: HotFolder, hints: queue.Queue[str], server: Server
) -> None:
    apart = Apart(hot, TIMES, hints.put, lambda _path: "network", moment_s=0.01)
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        (hot.path / name).write_bytes(b"a picture")
    _answered(apart, hints, 100.0, want=3)
    server.there.clear()
    look(apart, 101.5, want=3)
    server.there.set()
    hints.get(timeout=DEADLINE_S)
    found = look(apart, 101.6, want=1)
    assert names(found) == ["a.jpg"] and found.more and found.waiting == 2
    assert sorted(names(_answered(apart, hints, 104.0, want=3))) == [
        "a.jpg",
        "b.jpg",
        "c.jpg",
    ]  # none was claimed


def _answered(apart: Apart, hints: queue.Queue[str], now: float, want: int) -> Found:
    found = look(apart, now, want)
    while found.look_again_s == LATE_S:
        hints.get(timeout=DEADLINE_S)
        found = look(apart, now, want)
    return found


def test_what_is_told_while_it_hangs_is_looked_at_afterwards(
    hot: HotFolder, hints: queue.Queue[str], server: Server
) -> None:
    apart = Apart(hot, TIMES, hints.put, lambda _path: "network", moment_s=0.01)
    _answered(apart, hints, 100.0, want=9)
    server.there.clear()
    look(apart, 102.5)
    (hot.path / "a.jpg").write_bytes(b"a picture")
    look(apart, 102.6, told=(f"{hot.path}/a.jpg", "/elsewhere/b.jpg"))
    server.there.set()
    hints.get(timeout=DEADLINE_S)
    look(apart, 102.7)
    opened = server.opened
    _answered(apart, hints, 102.8, want=9)
    assert server.opened > opened


def test_a_defect_in_the_thread_comes_out_where_it_is_seen(
    hot: HotFolder, apart: Apart, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> Found:
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(apart._scanner, "scan", broken)
    with pytest.raises(ZeroDivisionError):
        look(apart, 100.0)


def test_what_cannot_be_claimed_waits(hot: HotFolder, apart: Apart) -> None:
    (hot.path / "a.jpg").write_bytes(b"a picture")
    look(apart, 100.0)
    (ready,) = look(apart, 101.1).ready
    apart.put_off(ready, "it cannot be moved", 101.1)
    assert [one.why for one in apart.waiting(101.2)] == ["it cannot be moved"]
