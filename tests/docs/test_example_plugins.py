"""The whole plugins of examples/: their own tests pass, and all three work together in a studio."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from tests.e2e.studio import RECIPE, drydown, make_studio, picture
from tests.own_tests import own_tests

EXAMPLES = Path(__file__).parents[2] / "examples"
PLUGINS = sorted(path.parent for path in EXAMPLES.glob("*/pyproject.toml"))


def test_there_are_a_step_a_sheet_maker_and_an_observer() -> None:
    assert [path.name for path in PLUGINS] == ["client-account", "signed-sheet", "split-tone"]


@pytest.mark.parametrize("plugin", PLUGINS, ids=lambda path: path.name)
def test_its_own_tests_pass(plugin: Path) -> None:
    done = own_tests(plugin)
    assert done.returncode == 0, done.stdout + done.stderr


def test_all_three_work_in_one_job(tmp_path: Path) -> None:
    toned = (
        RECIPE.replace('use = "convert"', 'use = "split-tone"\n[[step]]\nuse = "convert"')
        + '\n[signed]\nsignature = "hand.png"\n'
    )
    studio = make_studio(
        tmp_path / "studio", {"recipes/small.toml": toned.replace("margin_mm = 8", "margin_mm = 14")}
    )
    for plugin in PLUGINS:
        for file in (*plugin.glob("*.py"), *plugin.glob("client*.toml")):
            shutil.copy(file, studio / "plugins")
    drawn = Image.new("RGBA", (200, 60), (0, 0, 0, 0))
    ImageDraw.Draw(drawn).line([(5, 50), (60, 10), (120, 50), (190, 15)], fill=(0, 0, 0, 255), width=4)
    drawn.save(studio / "hand.png")
    source = picture(tmp_path / "harbour-cafe__quay.tif", seed=3)
    (tmp_path / "harbour-cafe__quay.toml").write_text('edition = "3/25"\n')
    done = drydown(studio, "run", "small", str(source), "--maker", "signed")
    assert done.returncode == 0, done.stdout + done.stderr
    (sheet,) = (studio / "prints" / "deliveries" / "harbour-cafe").glob("*.tif")
    with (studio / "prints" / "deliveries" / "account.csv").open(newline="") as file:
        heading, line = csv.reader(file)
    said = dict(zip(heading, line, strict=True))
    assert said["client"] == "harbour-cafe" and said["file"] == sheet.name and float(said["cost"]) > 0
