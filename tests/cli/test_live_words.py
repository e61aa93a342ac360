"""`drydown check --live` in words and as JSON, and the waiting files of `drydown jobs`."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from drydown.cli.live_words import show_live, waiting_lines
from drydown.errors import Exit, NotFound
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
)


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    """A studio whose lock somebody holds."""
    (tmp_path / "state").mkdir()
    with StudioLock.take(Places(tmp_path).lock, what="drydown watch"):
        yield tmp_path


def told(root: Path, live: Live, ago_s: float = 0.0) -> Live:
    LiveFile(Places(root).live, lambda: time.monotonic() - ago_s).keep(live)
    return live


def a_live() -> Live:
    now = time.monotonic()
    waiting = WaitingFile(r"b\x1b.jpg", "unfit", "a link; put the picture itself here", now - 300)
    return Live(
        pid=os.getpid(),
        started="",
        folders=(
            FolderLine("final", "hot/final", "events", "", now - 4, 7, (waiting,)),
            FolderLine("nas", "/mnt/nas", "rescan", "a share", None, 0),
        ),
        at_work=(AtWork("1m890bj2ft0p6", "a.jpg", now - 5, 4711),),
        queued=2,
        paused=1,
        paused_first=(PausedJob("1m890bj2ft0p7", "c.jpg", "the disk is full", 1_800_000_000.0),),
        held=3,
    )


def test_all_of_it_in_words(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told(root, a_live())
    assert show_live(root, as_json=False) == Exit.OK
    text = capsys.readouterr().out
    for said in (
        "events and rescans; all looked at 4 s ago; 7 waiting",
        r"oldest: b\x1b.jpg, for 5 min: a link; put the picture itself here",
        "rescans only: a share; not looked at yet; 0 waiting",
        "1 at work, 2 queued, 1 of them paused; 3 held",
        "1m890bj2ft0p6  a.jpg, for 5 s, process 4711",
        "c.jpg, until",
        "the disk is full",
    ):
        assert said in text


def test_what_is_left_alone_for_its_name_is_counted_and_the_first_of_it_named(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = (IgnoredFile(".x.jpg", "hidden file"), IgnoredFile("photo.bak", "backup copy"))
    live = a_live()
    told(
        root,
        replace(live, folders=(replace(live.folders[0], ignored=5, ignored_first=first), live.folders[1])),
    )
    show_live(root, as_json=False)
    text = capsys.readouterr().out
    said = "left alone for the name: 5: .x.jpg (hidden file), photo.bak (backup copy) and 3 more; rename what is a picture"
    assert said in text and text.count("left alone") == 1
    show_live(root, as_json=True)
    assert json.loads(capsys.readouterr().out)["folders"][0]["ignored_first"][1]["name"] == "photo.bak"


def test_what_stands_in_the_way_comes_out_in_the_exit_code(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(root, replace(a_live(), troubles=("The disk is full: 1 MB free.",)))
    assert show_live(root, as_json=False) == Exit.MACHINE
    assert "! The disk is full" in capsys.readouterr().out


def test_silence_is_said_first(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told(root, a_live(), ago_s=STALE_S * 10)
    assert show_live(root, as_json=False) == Exit.MACHINE
    assert capsys.readouterr().out.splitlines()[0].endswith("What follows is how it was then.")
    assert show_live(root, as_json=True) == Exit.MACHINE
    assert json.loads(capsys.readouterr().out)["stale"] is True


def test_as_json_times_are_seconds_ago(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told(root, a_live())
    show_live(root, as_json=True)
    found = json.loads(capsys.readouterr().out)
    final, nas = found["folders"]
    assert final["looked_at_s_ago"] == pytest.approx(4, abs=3) and nas["looked_at_s_ago"] is None
    assert final["oldest"][0]["since_s_ago"] == pytest.approx(300, abs=3)
    assert "written" not in found and found["at_work"][0]["pid"] == 4711


def test_waiting_files_are_listed_and_the_rest_of_them_counted(root: Path, tmp_path: Path) -> None:
    told(root, a_live())
    lines = list(waiting_lines(root))
    assert "b\\x1b.jpg  (final)" in lines[0] and "a link" in lines[0]
    assert "6 more  (final)" in lines[1] and len(lines) == 2


def test_without_a_daemon_there_is_nothing_to_list(tmp_path: Path) -> None:
    assert list(waiting_lines(tmp_path)) == []
    with pytest.raises(NotFound):
        show_live(tmp_path, as_json=False)
