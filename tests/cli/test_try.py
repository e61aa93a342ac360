"""`drydown try`, `new-plugin` and `steps --schema`: the loop of somebody who writes a step, by the real program."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import pyvips
from tests.e2e.studio import drydown, make_studio, picture


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio", {})


def test_a_new_step_is_tried_in_a_recipe_and_leaves_four_pictures_and_no_job(
    studio: Path, tmp_path: Path
) -> None:
    assert drydown(studio, "new-plugin", "open-shadows").returncode == 0
    source = picture(tmp_path / "harbour.tif", seed=1)
    done = drydown(
        studio,
        "try",
        "open-shadows",
        str(source),
        "--set",
        "amount=0.8",
        "--recipe",
        "small",
        "--into",
        str(tmp_path / "out"),
    )
    assert done.returncode == 0, done.stderr
    assert "mean ΔE00" in done.stdout and "shadows opened by 0.80" in done.stdout and " s, " in done.stdout
    made = {path.name.split(".")[-2] for path in (tmp_path / "out").iterdir()}
    assert made == {"before", "after", "difference", "detail"}
    before, after = (
        pyvips.Image.new_from_file(str(tmp_path / "out" / f"harbour.open-shadows.{what}.png"))
        for what in ("before", "after")
    )
    assert after.avg() > before.avg()
    assert json.loads(drydown(studio, "jobs", "--json").stdout or "[]") == []


def test_a_step_that_changes_the_size_is_told_so_and_has_no_difference(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "harbour.tif", seed=1)
    done = drydown(studio, "try", "crop", str(source), "--into", str(tmp_path / "out"))
    assert done.returncode == 0 and "size: now" in done.stdout
    assert not list((tmp_path / "out").glob("*difference*"))


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (("sharpn",), 4, "did you mean sharpen?"),
        (("final",), 4, "is a sheet maker"),
        (("sharpen", "--set", "strenth=1"), 2, "did you mean strength?"),
        (("sharpen", "--set", "strength=7"), 2, "at most 1"),
        (("sharpen", "--set", "strength"), 2, "SETTING=VALUE"),
        (("sharpen", "--recipe", "smal"), 4, "smal"),
    ],
)
def test_a_slip_is_told_with_the_next_move(
    studio: Path, tmp_path: Path, args: tuple[str, ...], code: int, says: str
) -> None:
    source = picture(tmp_path / "harbour.tif", seed=1)
    done = drydown(studio, "try", args[0], str(source), *args[1:])
    assert done.returncode == code and says in done.stderr and "Traceback" not in done.stderr


def test_a_recipe_that_would_spoil_its_sheets_does_not_keep_anybody_from_trying(
    studio: Path, tmp_path: Path
) -> None:
    tight = (studio / "recipes" / "small.toml").read_text().replace("margin_mm = 8", "margin_mm = 1")
    (studio / "recipes" / "tight.toml").write_text(tight)
    assert drydown(studio, "check").returncode == 3
    source = picture(tmp_path / "harbour.tif", seed=1)
    done = drydown(
        studio, "try", "sharpen", str(source), "--recipe", "small", "--into", str(tmp_path / "out")
    )
    assert done.returncode == 0, done.stderr
    assert "s of processor in" in done.stdout


def test_the_schema_holds_the_studios_own_steps(studio: Path) -> None:
    drydown(studio, "new-plugin", "open-shadows")
    schema = json.loads(drydown(studio, "steps", "--schema").stdout)
    assert "open-shadows" in [one["title"] for one in schema["properties"]["step"]["items"]["oneOf"]]
