"""Readings dropped into a folder of their own are verified and put away with the verdict; what cannot be used is put away with the reason."""

from __future__ import annotations

import errno
import os
import subprocess
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tests.e2e.studio import STUDIO, make_studio
from tests.measuring.measuring_kit import read, small_chart

from drydown import durable
from drydown.errors import StudioError
from drydown.intake import complete
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.places import Places
from drydown.measuring.writer import cgats_text
from drydown.service.house import open_house
from drydown.service.measured import LOOK_S, VERDICT, MeasuredFolders, _Running
from drydown.studio.settings import MeasuredFolderTable

TABLE = '[[measured_folder]]\npath = "measured"\nstock = "pearl"\n\n[daemon]'


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio", {"studio.toml": STUDIO.replace("[daemon]", TABLE)})


def worked(studio: Path, *, until: int, seconds: float = 60) -> list[str]:
    """What was said once so many verdicts have come."""
    said: list[str] = []
    settings = open_house(studio).studio.settings
    folders = MeasuredFolders(Places(studio), settings.measured_folder, settings.daemon, said.append)
    end = time.monotonic() + seconds
    try:
        while len(said) < until and time.monotonic() < end:
            folders.look(
                4 * time.monotonic()
            )  # a clock that runs faster: its looks come every quarter of a second
            time.sleep(0.05)
    finally:
        folders.close()
    return said


def drop(studio: Path, text: str, name: str) -> Path:
    (studio / "measured").mkdir(exist_ok=True)
    file = studio / "measured" / name
    file.write_text(text)
    return file


def test_good_readings_are_verified_once_and_bad_ones_are_refused_with_the_reason(studio: Path) -> None:
    good = read(small_chart())
    drop(studio, cgats_text(good), "good.txt")
    drop(studio, cgats_text(replace(good, lab=good.lab[::-1])), "turned.txt")
    drop(studio, "unfinished", ".good.txt.Xa93Kd")
    said = worked(studio, until=2)
    assert said[0].startswith("pearl: passed") and "read in another order" in said[1]
    done, refused = (studio / "originals" / kept for kept in ("done", "refused"))
    assert (done / "good.txt").read_text() == cgats_text(good)
    assert (done / "good.txt.verdict.txt").read_text().startswith("pearl: passed")
    assert "read in another order" in (refused / "turned.txt.verdict.txt").read_text()
    assert (refused / "turned.txt").exists()
    assert [path.name for path in (studio / "measured").iterdir()] == [".good.txt.Xa93Kd"]
    drop(studio, cgats_text(good), "good.txt")  # as after a crash between the verdict and the putting away
    worked(studio, until=1)
    assert (done / "good-2.txt").exists() and (done / "good.txt").exists()
    with LedgerView.read(Places(studio).ledger) as view:
        assert [row.passed for row in view.verifications("pearl")] == [True]
        assert view.jobs() == []


def test_a_file_that_still_grows_is_left_alone(studio: Path) -> None:
    said: list[str] = []
    settings = open_house(studio).studio.settings
    folders = MeasuredFolders(Places(studio), settings.measured_folder, settings.daemon, said.append)
    file = drop(studio, "ISO28178\n", "growing.txt")
    for turn in range(6):
        folders.look(turn * 1.1)
        with file.open("a") as more:
            more.write(f"# {turn}\n")
    assert folders._running is None and file.exists() and said == []
    folders.close()


def test_a_folder_inside_a_hot_folder_or_of_no_stock_is_a_fault(tmp_path: Path) -> None:
    wrong = TABLE.replace('"measured"', '"hot/final/measured"').replace('"pearl"', '"perl"')
    root = make_studio(tmp_path / "studio", {"studio.toml": STUDIO.replace("[daemon]", wrong)})
    with pytest.raises(StudioError) as caught:
        open_house(root)
    told = str(caught.value)
    assert "no stock is called 'perl'" in told and "did you mean" in told
    assert "lies in the hot folder hot/final; give readings a folder of their own" in told


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file passes at once: a process that says so in place of the verification."""

    def start(self: MeasuredFolders, file: Path, table: MeasuredFolderTable, now: float) -> None:
        said = tempfile.TemporaryFile()  # noqa: SIM115 - closed by whom it is handed to
        process = subprocess.Popen(["echo", f"{file.name}: passed"], stdout=said)
        process.wait()
        self._running = _Running(file, process, said, now + 1)

    monkeypatch.setattr(MeasuredFolders, "_start", start)


TWO = TABLE.replace("[daemon]", '[[measured_folder]]\npath = "second"\nstock = "pearl"\n\n[daemon]')


class Clock:
    """Folders that are looked at once a second, by a clock of their own."""

    def __init__(self, root: Path) -> None:
        (root / "studio.toml").write_text(STUDIO.replace("[daemon]", TWO))
        settings = open_house(root).studio.settings
        self.said: list[str] = []
        self.now = 0.0
        self.folders = MeasuredFolders(
            Places(root), settings.measured_folder, settings.daemon, self.said.append
        )

    def after(self, seconds: int) -> list[str]:
        """What is said in that time."""
        before = len(self.said)
        for _ in range(seconds):
            self.now += LOOK_S
            self.folders.look(self.now)
        return self.said[before:]


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    "name", ["a" * 250 + ".txt", "b." + "c" * 252, "ü" * 125 + ".txt", os.fsdecode(b"\xff" * 254)]
)
def test_a_name_as_long_as_a_folder_takes_is_put_away_cut_with_its_verdict(studio: Path, name: str) -> None:
    clock = Clock(studio)
    for turn in range(2):
        drop(studio, f"{turn}", name)
        clock.after(20)
    assert list((studio / "measured").iterdir()) == [] and len(clock.said) == 2
    done = studio / "originals" / "done"
    kept = sorted(path.name for path in done.iterdir() if not path.name.endswith(VERDICT))
    assert len(kept) == 2 and all((done / f"{one}{VERDICT}").exists() for one in kept)
    assert [path.suffix == ".txt" for path in done.iterdir()] == [True] * 4 or not name.endswith(".txt")


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("number", [errno.EACCES, errno.ENOSPC])
def test_readings_that_cannot_be_put_away_wait_are_told_once_and_hold_up_no_other_folder(
    studio: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    clock = Clock(studio)
    for name in ("a.txt", "b.txt"):
        drop(studio, "", name)
    drop(studio, "", "../second/c.txt")
    move, tried = durable.move_durable, []

    def refuses(src: Path, dst: Path) -> None:
        if src.parent.name == "measured":
            tried.append(clock.now)
            raise OSError(number, os.strerror(number))
        move(src, dst)

    monkeypatch.setattr(durable, "move_durable", refuses)
    said = clock.after(300)
    told = [one for one in said if os.strerror(number) in one]
    assert len(told) == 1 and told[0].startswith("measured: a.txt cannot be put away: ")
    assert ("the machine's fault" in told[0]) == (number == errno.ENOSPC) and "by itself" in told[0]
    assert [one for one in said if one not in told] == ["c.txt: passed; originals/done/c.txt"]
    assert 10 <= len(tried) <= 20 and not list((studio / "originals" / "refused").iterdir())
    monkeypatch.setattr(durable, "move_durable", move)
    assert clock.after(70) == [f"{name}: passed; originals/done/{name}" for name in ("a.txt", "b.txt")]


@pytest.mark.usefixtures("at_once")
def test_a_folder_that_cannot_be_read_is_told_once_and_taken_from_again_once_it_can(studio: Path) -> None:
    clock = Clock(studio)
    (studio / "measured").rmdir()
    (studio / "measured").write_text("no folder")
    (studio / "second" / "c.txt").write_text("")
    assert clock.after(100) == [
        "measured: the folder cannot be read: Not a directory; it is tried again by itself",
        "c.txt: passed; originals/done/c.txt",
    ]
    (studio / "measured").unlink()
    drop(studio, "", "a.txt")
    assert clock.after(80) == ["a.txt: passed; originals/done/a.txt"]


@pytest.mark.usefixtures("at_once")
def test_one_file_that_cannot_be_looked_at_holds_up_no_other(
    studio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, check = Clock(studio), complete.check
    for name in ("a.txt", "b.txt"):
        drop(studio, "", name)

    def sick(name: str, *rest: Any, **more: Any) -> complete.Verdict:
        if name == "a.txt":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return check(name, *rest, **more)

    monkeypatch.setattr(complete, "check", sick)
    told, passed = clock.after(60)
    assert told.startswith("measured: a.txt cannot be looked at: Input/output error")
    assert passed == "b.txt: passed; originals/done/b.txt"


def test_a_folder_that_cannot_be_made_is_told_and_read_once_somebody_has_made_it(
    studio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(path: Path, **_: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("drydown.service.measured.make_folders", refuses)
    clock = Clock(studio)
    made = "cannot be made: Permission denied; make it, and it is read from then on"
    assert clock.said == [f"measured {made}", f"second {made}"] and clock.after(5) == []
