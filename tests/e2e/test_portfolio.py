"""A whole portfolio by the real program: numbered sheets, a table, the paper, and a contact sheet; alone and through a running daemon."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
import pyvips
from PIL import Image

from drydown.demo.drive import daemon
from drydown.imaging.working import srgb
from tests.e2e.studio import STOCK, STUDIO, drydown, make_studio, paper, picture

PRICED = STOCK.replace(
    "[ticket]", 'price_per_sheet = { "4x6" = 0.25 }\ncurrency = "EUR"\nlot = "0412"\n[ticket]'
)


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio", {"stocks/pearl.toml": PRICED})


@pytest.fixture
def portfolio(tmp_path: Path) -> Path:
    """Four files: two pictures, one of them upright and in three copies, one that is not whole, and one that the recipe holds."""
    folder = tmp_path / "portfolio"
    folder.mkdir()
    whole = picture(folder / "b-harbour.jpg", seed=1)
    picture(folder / "d-dune.tif", seed=2, width=400, height=600)
    (folder / "d-dune.toml").write_text("copies = 3\n")
    (folder / "a-cut.jpg").write_bytes(whole.read_bytes()[:-4000])
    picture(folder / "c-plain.png", seed=3, icc=b"")
    return folder


def hold_untagged(studio: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text('untagged = "hold"\n' + recipe.read_text())


def prints(studio: Path, pattern: str) -> list[Path]:
    return sorted((studio / "prints" / "run").glob(pattern))


def numbers(studio: Path) -> list[str]:
    """What the sheets in the prints folder are called, less their job."""
    return [path.name.split("__")[0] for path in prints(studio, "[0-9]*.tif")]


def check_contact_sheet(studio: Path, *, left: bool, right: bool) -> None:
    """`left`, `right`: whether that one of the two columns holds a picture, and not only outlines."""
    (sheet,) = prints(studio, "contact-sheet__*.tif")
    assert sheet.stem.endswith("__small")
    image = pyvips.Image.new_from_file(str(sheet))
    # a letter, the smallest sheet kept that is about an A4, less 3 mm all round, at 100 pixels an inch
    assert (image.width, image.height) == (round(209.9 / 25.4 * 100), round(273.4 / 25.4 * 100))
    assert (image.format, image.get("icc-profile-data")) == ("ushort", paper())
    with Image.open(sheet.with_suffix(".jpg")) as screen:
        assert (screen.format, screen.info["icc_profile"]) == ("JPEG", srgb())
        assert (screen.width, screen.height) == (image.width, image.height)
    inked = (image.numpy() < 40000).any(axis=2)
    columns = np.array_split(inked[100:], 2, axis=1)
    # a picture is solid ink over more than a tenth of its column, which outlines and lettering never reach
    assert [bool(column.mean() > 0.1) for column in columns] == [left, right]
    assert not [path for path in sheet.parent.iterdir() if path.name.endswith(".part")]


def test_a_folder_becomes_numbered_sheets_a_table_and_a_contact_sheet(studio: Path, portfolio: Path) -> None:
    (studio / "studio.toml").write_text(STUDIO)  # with pages
    hold_untagged(studio)
    done = drydown(studio, "run", "small", str(portfolio), fresh=True)
    assert done.returncode == 1, done.stderr
    assert numbers(studio) == ["02_b-harbour", "04_d-dune"]
    lines = done.stdout.splitlines()
    assert lines[0] == "pearl, 4x6"
    states = [line.split()[:3] for line in lines[1:5]]
    assert states == [
        ["01", "a-cut.jpg", "REFUSED"],
        ["02", "b-harbour.jpg", "done"],
        ["03", "c-plain.png", "HELD"],
        ["04", "d-dune.tif", "done"],
    ]
    assert prints(studio, "02_*.tif")[0].name in lines[2] and "(3 copies)" in lines[4]
    assert "a-cut.jpg" in lines[1].split("REFUSED")[1] and "profile" in lines[3]
    assert "pearl, 4x6       4  0.25 EUR  1.00 EUR" in lines
    assert "2 done, 1 refused, 1 held. Sheets are in prints/run." in lines
    assert lines[-2].startswith("contact sheet: prints/run/contact-sheet__")
    assert lines[-1].startswith("page: prints/run/portfolio__")
    check_contact_sheet(studio, left=False, right=True)


def test_a_taken_up_again_picture_keeps_its_number(studio: Path, portfolio: Path) -> None:
    hold_untagged(studio)
    done = drydown(studio, "run", "small", str(portfolio), "--json", "--no-contact-sheet")
    (held,) = [
        job["job"] for job in map(json.loads, done.stdout.splitlines()) if job["state"] == "pending-held"
    ]
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text(recipe.read_text().replace('untagged = "hold"', 'untagged = "srgb"'))
    assert drydown(studio, "retry", held).returncode == 0
    assert numbers(studio) == ["02_b-harbour", "03_c-plain", "04_d-dune"]


def test_json_is_one_object_a_job_and_nothing_else_on_standard_output(studio: Path, portfolio: Path) -> None:
    done = drydown(studio, "run", "small", str(portfolio), "--json")
    jobs = [json.loads(line) for line in done.stdout.splitlines()]
    assert [job["source"] for job in jobs] == ["a-cut.jpg", "b-harbour.jpg", "c-plain.png", "d-dune.tif"]
    assert [Path(job["outputs"][0]).name[:3] for job in jobs if job["outputs"]] == ["02_", "03_", "04_"]
    assert "contact sheet: " in done.stderr
    check_contact_sheet(studio, left=True, right=True)


def test_a_contact_sheet_is_made_for_several_pictures_or_when_asked_for(studio: Path, tmp_path: Path) -> None:
    one, two = picture(tmp_path / "one.jpg"), picture(tmp_path / "two.jpg")
    assert drydown(studio, "run", "small", str(one)).returncode == 0
    assert drydown(studio, "run", "small", str(one), str(two), "--no-contact-sheet").returncode == 0
    assert not prints(studio, "contact-sheet*")
    assert numbers(studio) == ["01_one", "02_two"]
    assert len(prints(studio, "one__*.tif")) == 1, "a single picture has no number"
    assert drydown(studio, "run", "small", str(one), "--contact-sheet").returncode == 0
    assert len(prints(studio, "contact-sheet*.tif")) == 1


def test_a_second_run_overwrites_nothing(studio: Path, tmp_path: Path) -> None:
    files = [str(picture(tmp_path / name)) for name in ("one.jpg", "two.jpg")]
    for _ in range(2):
        assert drydown(studio, "run", "small", *files).returncode == 0
    assert numbers(studio) == ["01_one", "01_one", "02_two", "02_two"]
    assert len(prints(studio, "contact-sheet*.tif")) == len(prints(studio, "contact-sheet*.jpg")) == 2


def test_where_nothing_came_out_the_contact_sheet_says_why(studio: Path, tmp_path: Path) -> None:
    for name in ("one.jpg", "two.jpg"):
        (tmp_path / name).write_text("Dear client, the prints are on their way. " * 50)
    done = drydown(studio, "run", "small", str(tmp_path / "one.jpg"), str(tmp_path / "two.jpg"))
    assert done.returncode == 1
    assert "2 refused." in done.stdout and "Traceback" not in done.stderr
    assert len(prints(studio, "contact-sheet*.tif")) == 1


def test_folders_in_folders_are_passed_over_aloud(studio: Path, tmp_path: Path) -> None:
    folder = tmp_path / "shelf"
    (folder / "rejects").mkdir(parents=True)
    picture(folder / "rejects" / "x.tif", seed=1)
    done = drydown(studio, "run", "small", str(folder))
    assert done.returncode == 4 and "rejects" in done.stderr and "not looked into" in done.stderr
    picture(folder / "a.tif", seed=1)
    done = drydown(studio, "run", "small", str(folder))
    assert done.returncode == 0 and "Passed over" in done.stderr and "rejects" in done.stderr


def test_an_unreadable_file_is_told_before_the_first_is_taken(studio: Path, portfolio: Path) -> None:
    done = drydown(studio, "run", "small", str(portfolio), str(portfolio / "gone.jpg"))
    assert done.returncode == 4 and "gone.jpg" in done.stderr
    assert not (studio / "state" / "ledger.db").exists() and not prints(studio, "*")


def test_a_prints_folder_that_went_away_costs_the_contact_sheet_but_no_job_its_record(
    studio: Path, tmp_path: Path
) -> None:
    """The sheets are out before the contact sheet is begun: the table stands, the exit code tells that something asked for is missing."""
    files = [tmp_path / name for name in ("one.jpg", "two.jpg")]
    for file in files:
        file.write_text("no picture " * 60)
    first = drydown(studio, "run", "small", str(picture(tmp_path / "good.jpg")))
    assert first.returncode == 0
    (studio / "prints" / "run" / ".drydown-prints").unlink()
    done = drydown(studio, "run", "small", *map(str, files))
    assert "2 refused." in done.stdout
    assert done.returncode == 74 and "offline" in done.stderr


def test_a_running_daemon_does_the_work_and_the_command_makes_the_contact_sheet(
    studio: Path, portfolio: Path
) -> None:
    with daemon(studio) as process:
        done = drydown(studio, "run", "small", str(portfolio))
        assert process.poll() is None
        assert not loads_pixels(process.pid), "the daemon never touches a pixel"
    assert done.returncode == 1, done.stderr
    assert numbers(studio) == ["02_b-harbour", "03_c-plain", "04_d-dune"]
    assert "3 done, 1 refused. Sheets are in prints/run." in done.stdout
    check_contact_sheet(studio, left=True, right=True)


def loads_pixels(pid: int) -> bool:
    """True when a process has libvips in its memory."""
    listed = Path(f"/proc/{pid}/maps")
    return listed.exists() and "libvips" in listed.read_text()


def test_help_says_what_a_portfolio_is(studio: Path) -> None:
    done: subprocess.CompletedProcess[str] = drydown(studio, "run", "--help")
    assert "--no-contact-sheet" in done.stdout and "portfolio" in done.stdout
