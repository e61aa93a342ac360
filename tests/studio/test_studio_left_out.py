"""A daemon that starts alone at night: recipes with faults are left out, the others go on, and nothing else is passed over."""

from __future__ import annotations

from pathlib import Path

import pytest
from studio_kit import OFFERS, PEARL, SHORELINE, STUDIO, lay_out

from drydown.errors import StudioError
from drydown.studio.explain import explain
from drydown.studio.load import load
from drydown.studio.resolve import RecipeOff, resolve, resolve_hot

MATTE_TOO = STUDIO + '[[hot_folder]]\npath = "hot/matte"\nrecipe = "dunes"\nsheet_maker = "final"\n'
DUNES = SHORELINE.replace('"pearl"', '"matte"')
MISSPELT = SHORELINE.replace("strength = 0.4", "strenth = 0.4")
FAULT = "recipes/dunes.toml: step 7 (sharpen): strenth: no such key; did you mean strength?"


def test_a_recipe_with_faults_is_off_and_the_others_go_on(tmp_path: Path) -> None:
    root = lay_out(tmp_path, studio=MATTE_TOO, dunes=MISSPELT)
    with pytest.raises(StudioError):
        load(root, OFFERS)
    studio = load(root, OFFERS, leave_out=True)
    assert studio.off == {"dunes": f"recipe dunes is off: {FAULT}"}
    assert [str(fault) for fault in studio.left_out] == [FAULT]
    with pytest.raises(RecipeOff, match="strenth"):
        resolve_hot(studio, studio.hot_folders[2])
    assert resolve(studio, recipe="shoreline").recipe.name == "shoreline"
    assert explain(studio).told[2].paragraphs[0].startswith("OFF: recipe dunes is off")


@pytest.mark.parametrize("text", ["", "[[step]\n", 'stock = "gloss"\n'], ids=["empty", "no TOML", "no stock"])
def test_a_recipe_that_cannot_be_read_at_all_is_off_too(tmp_path: Path, text: str) -> None:
    studio = load(lay_out(tmp_path, studio=MATTE_TOO, dunes=text), OFFERS, leave_out=True)
    with pytest.raises(RecipeOff):
        resolve_hot(studio, studio.hot_folders[2])


def test_a_settled_file_with_faults_switches_its_recipe_off(tmp_path: Path) -> None:
    root = lay_out(tmp_path, studio=MATTE_TOO, dunes=SHORELINE)
    (root / "recipes/dunes.settled.toml").write_text("[[")
    assert list(load(root, OFFERS, leave_out=True).off) == ["dunes"]


def test_a_stock_with_faults_switches_its_recipes_off(tmp_path: Path) -> None:
    root = lay_out(tmp_path, studio=MATTE_TOO, dunes=DUNES)
    (root / "stocks/matte.toml").write_text(PEARL.replace("pearl.icc", "gone.icc"))
    assert "gone.icc is missing" in load(root, OFFERS, leave_out=True).off["dunes"]


def test_a_stock_that_measurements_are_for_is_the_whole_studios(tmp_path: Path) -> None:
    text = MATTE_TOO + '[[measured_folder]]\npath = "measured"\nstock = "matte"\n'
    root = lay_out(tmp_path, studio=text, dunes=DUNES)
    (root / "stocks/matte.toml").write_text(PEARL.replace("pearl.icc", "gone.icc"))
    with pytest.raises(StudioError, match=r"gone\.icc is missing"):
        load(root, OFFERS, leave_out=True)


def test_where_nothing_is_left_to_do_or_the_studio_itself_is_at_fault_every_fault_is_told(
    tmp_path: Path,
) -> None:
    with pytest.raises(StudioError, match="strenth"):
        load(lay_out(tmp_path / "one", shoreline=MISSPELT), OFFERS, leave_out=True)
    spoilt = MATTE_TOO.replace('sheet = "letter"', 'sheat = "letter"')
    with pytest.raises(StudioError) as caught:
        load(lay_out(tmp_path / "two", studio=spoilt, dunes=MISSPELT), OFFERS, leave_out=True)
    assert "sheat" in str(caught.value) and "strenth" in str(caught.value)
