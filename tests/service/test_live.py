"""The file in which a daemon tells of itself: whole, private, not written for nothing, and read for what it is."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from drydown.errors import MachineFault, NotFound
from drydown.intake.found import FolderState, Ignored
from drydown.jobs.lock import StudioLock
from drydown.jobs.places import Places
from drydown.service.live import (
    STALE_S,
    AtWork,
    FolderLine,
    IgnoredFile,
    Live,
    LiveFile,
    PausedJob,
    WaitingFile,
    read_live,
)
from drydown.service.telling import Teller


class Now:
    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


LIVE = Live(
    pid=os.getpid(),
    started="",
    starter=12,
    folders=(
        FolderLine(
            "final",
            "/studio/hot/final",
            "rescan",
            "a share",
            990.0,
            3,
            (WaitingFile(r"a\x1b.jpg", "busy", "another program is still writing it", 980.0),),
            2,
            (IgnoredFile(r".b\x1b.jpg", "hidden file"),),
        ),
    ),
    at_work=(AtWork("1m890bj2ft0p6", "b.jpg", 999.0, 4711),),
    queued=2,
    held=1,
    paused=1,
    paused_first=(PausedJob("1m890bj2ft0p7", "c.jpg", "the disk is full", 1_800_000_000.0),),
    troubles=("the disk is full",),
)


@pytest.fixture
def now() -> Now:
    return Now()


@pytest.fixture
def places(tmp_path: Path) -> Places:
    (tmp_path / "state").mkdir()
    return Places(tmp_path)


@pytest.fixture
def running(places: Places) -> Iterator[StudioLock]:
    """A lock that somebody else holds: of this process, through another opening of the file."""
    with StudioLock.take(places.lock, what="drydown watch") as lock:
        yield lock


def test_what_is_told_is_read_back_with_its_age(places: Places, now: Now, running: StudioLock) -> None:
    LiveFile(places.live, now).keep(LIVE)
    now.s += 4
    live, age_s = read_live(places, now)
    assert age_s == 4
    assert replace(live, started="", written=0.0) == LIVE
    assert live.line() == "1 at work, 2 queued, 3 in the hot folders, the disk is full"
    assert places.live.stat().st_mode & 0o777 == 0o600
    assert [path.name for path in places.state.iterdir() if path.name.startswith(".")] == []


def test_it_is_written_when_something_has_changed_and_as_a_sign_of_life(places: Places, now: Now) -> None:
    file, writes = LiveFile(places.live, now), 0
    before = None
    for second in range(60):
        assert file.is_due()
        file.keep(replace(LIVE, queued=1 if second == 25 else 0))
        assert not file.is_due()
        found = places.live.stat().st_ino, places.live.stat().st_mtime_ns
        writes += found != before
        before = found
        now.s += 1.0
    assert writes == 1 + 2 + 2 + 3  # at once, at 10 and 20, the change and back, at 36, 46 and 56


def test_a_daemon_that_is_silent_for_long_is_seen_by_the_age(
    places: Places, now: Now, running: StudioLock
) -> None:
    LiveFile(places.live, now).keep(LIVE)
    now.s += STALE_S + 1
    assert read_live(places, now)[1] > STALE_S


def test_where_no_daemon_runs_an_old_file_says_nothing(places: Places, now: Now) -> None:
    with pytest.raises(NotFound, match="no daemon runs"):
        read_live(places, now)
    LiveFile(places.live, now).keep(LIVE)
    with pytest.raises(NotFound, match="drydown watch"):
        read_live(places, now)


def test_a_daemon_at_rest_has_let_the_studio_go_and_still_tells(places: Places, now: Now) -> None:
    LiveFile(places.live, now).keep(replace(LIVE, resting=True))
    assert read_live(places, now)[0].resting
    now.s += STALE_S + 1
    with pytest.raises(NotFound):
        read_live(places, now)


@pytest.mark.parametrize(
    "found", [None, b"", b"[]", b'{"live": 99}', b"{", b"\xff\xfe", b'{"live": 1}', b'{"live": 2}']
)
def test_a_studio_in_use_by_somebody_who_tells_nothing_is_said_to_be(
    places: Places, now: Now, running: StudioLock, found: bytes | None
) -> None:
    if found is not None:
        places.live.write_bytes(found)
    with pytest.raises(MachineFault, match=rf"process {os.getpid()} \(drydown watch\)"):
        read_live(places, now)


def test_the_file_of_a_daemon_that_is_dead_is_not_taken_for_a_commands(
    places: Places, now: Now, running: StudioLock
) -> None:
    LiveFile(places.live, now).keep(replace(LIVE, pid=os.getpid() + 1))
    with pytest.raises(MachineFault, match="told nothing of itself"):
        read_live(places, now)


def test_a_full_disk_stops_nobody_and_leaves_the_last_word(
    places: Places, now: Now, running: StudioLock, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = LiveFile(places.live, now)
    file.keep(LIVE)

    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "open", full)
    file.keep(replace(LIVE, queued=9))
    monkeypatch.undo()
    assert json.loads(places.live.read_text())["queued"] == 2
    file.remove()
    file.remove()
    assert not places.live.exists()


def test_what_a_hot_folder_leaves_alone_comes_into_the_file_escaped(tmp_path: Path) -> None:
    state = FolderState("final", 990.0, 0, (), 4, (Ignored(".b\x1b.jpg", "hidden file"),))
    doors = SimpleNamespace(looks=1, states=lambda *_: [state], mode=lambda _: ("events", ""))
    workshop = SimpleNamespace(hot={"final": tmp_path})
    (line,) = Teller(tmp_path / "live.json")._folder_lines(cast(Any, workshop), cast(Any, doors))
    assert (line.ignored, line.ignored_first) == (4, (IgnoredFile(r".b\x1b.jpg", "hidden file"),))
