"""The main job from the command line, by the real program: files in, sheets out, everything recorded."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import pyvips

from tests.e2e.studio import STUDIO, drydown, make_studio, paper, picture


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio")


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A studio that has made a sheet, and the picture, for tests that change nothing."""
    root = tmp_path_factory.mktemp("used")
    studio, file = make_studio(root / "studio"), picture(root / "a.png")
    assert drydown(studio, "run", "small", str(file)).returncode == 0
    return studio, file


def test_a_file_becomes_a_sheet_with_preview_page_ticket_and_record(tmp_path: Path) -> None:
    studio = make_studio(tmp_path / "studio", {"studio.toml": STUDIO})
    source = picture(tmp_path / "harbour.tif")
    done = drydown(studio, "run", "small", str(source), "--json")
    assert done.returncode == 0, done.stderr
    (job,) = [json.loads(line) for line in done.stdout.splitlines()]
    assert (job["state"], job["recipe"], job["sheet_maker"]) == ("completed", "small", "final")
    sheet = Path(job["outputs"][0])
    assert sheet.parent == studio / "prints" / "run"
    names = {
        path.name.removeprefix(sheet.stem)
        for path in sheet.parent.iterdir()
        if path.name.startswith(sheet.stem)
    }
    assert names == {".tif", ".preview.jpg", ".page.html", ".ticket.txt", ".ticket.json", ".job.json"}
    image = pyvips.Image.new_from_file(str(sheet))
    assert (image.format, image.bands) == ("ushort", 3)
    assert image.get("icc-profile-data") == paper()
    assert round(image.xres * 25.4, 3) == 100
    # 4x6 in less 3 mm all round, on its side, at 100 pixels an inch
    assert (image.width, image.height) == (round((152.4 - 6) / 25.4 * 100), round((101.6 - 6) / 25.4 * 100))
    record = json.loads(sheet.with_suffix(".job.json").read_text())
    assert record["record"] == 1 and record["spec"]["recipe"] == "small"
    assert source.exists(), "a file of the command line stays where it is"
    assert not list((studio / "state" / "work").iterdir()), "nothing is left of the attempt"


def test_the_same_picture_and_recipe_make_the_same_sheet(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "harbour.tif")
    for _ in range(2):
        assert drydown(studio, "run", "small", str(source)).returncode == 0
    first, second = sorted((studio / "prints" / "run").glob("*.tif"))
    a, b = (pyvips.Image.new_from_file(str(path)).numpy() for path in (first, second))
    different = np.argwhere((a != b).any(axis=2))
    # only the slug, which names the job, may differ: it lies outside the picture
    assert len(different) < a.shape[0] * a.shape[1] * 0.02


def test_what_cannot_be_printed_is_said_in_a_sentence_and_the_exit_code_tells(
    studio: Path, tmp_path: Path
) -> None:
    good = picture(tmp_path / "good.jpg")
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(good.read_bytes()[:-4000])
    text = tmp_path / "letter.jpg"
    text.write_text("Dear client, the prints are on their way. " * 50)
    done = drydown(studio, "run", "small", str(tmp_path), "--json")
    assert done.returncode == 1
    states = {job["source"]: job["state"] for job in map(json.loads, done.stdout.splitlines())}
    assert states == {"good.jpg": "completed", "cut.jpg": "aborted", "letter.jpg": "aborted"}
    reasons = [path.read_text() for path in (studio / "originals" / "refused").glob("*.reason.txt")]
    assert len(reasons) == 2 and all("Traceback" not in reason for reason in reasons)


def test_an_untagged_picture_is_noted_or_held_as_the_recipe_says(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "plain.png", icc=b"")
    done = drydown(studio, "run", "small", str(source), "--json")
    assert done.returncode == 0, done.stderr
    job = json.loads(done.stdout)["job"]
    assert "sRGB" in drydown(studio, "show", job).stdout
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text('untagged = "hold"\n' + recipe.read_text())
    held = drydown(studio, "run", "small", str(source), "--json")
    assert held.returncode == 1
    assert json.loads(held.stdout)["state"] == "pending-held"
    (reason,) = (studio / "originals" / "held").glob("*.reason.txt")
    assert "drydown cancel" in reason.read_text()


def test_a_held_job_is_taken_up_again_by_the_studio_as_it_is_now(studio: Path, tmp_path: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text('untagged = "hold"\n' + recipe.read_text())
    source = picture(tmp_path / "plain.png", icc=b"")
    job = json.loads(drydown(studio, "run", "small", str(source), "--json").stdout)["job"]
    recipe.write_text(recipe.read_text().replace('untagged = "hold"', 'untagged = "srgb"'))
    again = drydown(studio, "retry", job, fresh=True)
    assert again.returncode == 0, again.stderr
    assert "completed" in drydown(studio, "show", job).stdout
    assert not list((studio / "originals" / "held").glob("*.reason.txt"))


def test_a_pictures_own_settings_go_over_the_recipe_and_show_says_so(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "harbour.tif")
    (tmp_path / "harbour.toml").write_text("[tone-lift]\nlift_L = 1.5\n")
    done = drydown(studio, "run", "small", str(source), "--json")
    assert done.returncode == 0, done.stderr
    shown = drydown(studio, "show", json.loads(done.stdout)["job"]).stdout
    assert "lift_L = 1.5 [picture]" in shown


def test_a_cancelled_job_prints_nothing_and_keeps_its_original(studio: Path, tmp_path: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text('untagged = "hold"\n' + recipe.read_text())
    source = picture(tmp_path / "plain.png", icc=b"")
    job = json.loads(drydown(studio, "run", "small", str(source), "--json").stdout)["job"]
    assert drydown(studio, "cancel", job).returncode == 0
    assert "canceled" in drydown(studio, "show", job).stdout
    assert drydown(studio, "cancel", job).returncode == 5
    assert source.exists()


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["run", "smal", "{file}"], 4, "did you mean small?"),
        (["run", "small", "{file}", "--sheet", "13x19"], 4, "13x19"),
        (["show", "nothere1"], 4, "no job"),
        (["steps", "sharpn"], 4, "did you mean sharpen?"),
        (["chek"], 2, "check"),
    ],
)
def test_a_slip_of_the_hand_gets_a_sentence_and_a_guess(
    used: tuple[Path, Path], args: list[str], code: int, says: str
) -> None:
    studio, file = used
    done = drydown(studio, *(arg.format(file=file) for arg in args))
    assert done.returncode == code, done.stderr
    assert says in done.stderr and "Traceback" not in done.stderr


def test_every_fault_of_every_file_is_told_at_once(studio: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text(recipe.read_text().replace("lift_L", "lift_l").replace('"sharpen"', '"sharpn"'))
    (studio / "stocks" / "pearl.toml").write_text("ppi = -3\n")
    done = drydown(studio, "check")
    assert done.returncode == 3
    for says in ("did you mean lift_L?", "did you mean sharpen?", "profile", "ppi"):
        assert says in done.stderr
