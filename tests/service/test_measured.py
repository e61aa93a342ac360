"""Readings dropped into a folder of their own are verified and put away with the verdict; what cannot be used is put away with the reason."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
from tests.e2e.studio import STUDIO, make_studio
from tests.measuring.measuring_kit import read, small_chart

from drydown.errors import StudioError
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.places import Places
from drydown.measuring.writer import cgats_text
from drydown.service.house import open_house
from drydown.service.measured import MeasuredFolders

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
