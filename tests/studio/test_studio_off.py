"""Plugins that failed to load: the recipes that need them are off, loudly, and the others go on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from studio_kit import OFFERS, SHORELINE, STUDIO, lay_out

from drydown.errors import Hold, StudioError
from drydown.studio.explain import explain
from drydown.studio.load import load
from drydown.studio.resolve import RecipeOff, resolve, resolve_hot


@dataclass(frozen=True)
class Failed:
    offered_by: str
    reason: str

    def __str__(self) -> str:
        return f"{self.offered_by} failed to load: {self.reason}"


BORDER = Failed("studio-border 1.2", "ImportError: no module named 'shapely'")
GRAIN = Failed("plugins/grain.py", "SyntaxError: invalid syntax")
BORDERED = SHORELINE.replace('use = "balance"', 'use = "border"\nwidth_mm = 3')


def test_a_recipe_whose_step_failed_to_load_is_off_and_the_others_go_on(tmp_path: Path) -> None:
    studio = load(lay_out(tmp_path, framed=BORDERED), OFFERS, [GRAIN, BORDER])
    told = (
        "recipe framed is off: step 6 uses 'border', and studio-border 1.2 failed to load: "
        "ImportError: no module named 'shapely'"
    )
    assert studio.off == {"framed": told}
    assert resolve(studio, recipe="shoreline").recipe.name == "shoreline"
    with pytest.raises(RecipeOff) as caught:
        resolve(studio, recipe="framed")
    assert str(caught.value) == "R" + told[1:] + "."
    assert isinstance(caught.value, Hold)


def test_where_no_failed_plugin_carries_the_steps_name_all_are_named(tmp_path: Path) -> None:
    text = SHORELINE.replace('use = "balance"', 'use = "vignette"')
    studio = load(lay_out(tmp_path, framed=text), OFFERS, [GRAIN, BORDER])
    assert studio.off["framed"] == (
        "recipe framed is off: step 6 uses 'vignette', and plugins/grain.py failed to load: SyntaxError: invalid syntax "
        "and studio-border 1.2 failed to load: ImportError: no module named 'shapely'"
    )


def test_a_slip_of_the_pen_is_a_fault_although_some_plugin_failed(tmp_path: Path) -> None:
    with pytest.raises(StudioError) as caught:
        load(
            lay_out(tmp_path, framed=SHORELINE.replace('use = "balance"', 'use = "balanse"')), OFFERS, [GRAIN]
        )
    assert "did you mean balance?" in str(caught.value)


def test_a_hot_folder_whose_sheet_maker_failed_to_load_is_off_and_its_recipe_is_not(tmp_path: Path) -> None:
    text = STUDIO.replace('"test-strip"', '"border-strip"')
    studio = load(lay_out(tmp_path, studio=text), OFFERS, [BORDER, Failed("border_strip 1", "ValueError: x")])
    assert studio.off == {}
    assert studio.off_folders == {
        "proof": "hot folder proof is off: its sheet maker is 'border-strip', "
        "and border_strip 1 failed to load: ValueError: x"
    }
    proof, final = studio.hot_folders
    with pytest.raises(RecipeOff):
        resolve_hot(studio, proof)
    assert resolve_hot(studio, final).sheet.name == "11x17"


def test_a_table_for_a_sheet_maker_that_failed_to_load_switches_nothing_off(tmp_path: Path) -> None:
    text = SHORELINE + "[border-strip]\nrows = 3\n"
    studio = load(lay_out(tmp_path, shoreline=text), OFFERS, [Failed("border_strip 1", "ValueError: x")])
    assert (studio.off, studio.off_folders) == ({}, {})


def test_every_other_fault_of_a_recipe_that_is_off_is_still_told(tmp_path: Path) -> None:
    text = BORDERED.replace("strength = 0.4", "strength = 4")
    with pytest.raises(StudioError) as caught:
        load(lay_out(tmp_path, framed=text), OFFERS, [BORDER])
    assert str(caught.value) == "recipes/framed.toml: step 7 (sharpen): strength: must be at most 1; found 4"


def test_plugins_kept_out_by_the_studio_are_named_with_a_step_that_is_missing(tmp_path: Path) -> None:
    text = STUDIO + '[plugins]\noff = ["studio-border"]\n'
    with pytest.raises(StudioError) as caught:
        load(lay_out(tmp_path, studio=text, framed=BORDERED), OFFERS)
    assert str(caught.value) == (
        "recipes/framed.toml: step 6 (border): no installed plugin offers a step called 'border'; installed: "
        "flatten, crop, resample, convert, tone-lift, balance and sharpen; plugins.off keeps out studio-border"
    )


def test_what_is_off_is_said_first_thing_when_the_studio_is_explained(tmp_path: Path) -> None:
    text = STUDIO.replace(
        'recipe = "shoreline"\nsheet_maker = "final"', 'recipe = "framed"\nsheet_maker = "final"'
    )
    told = explain(load(lay_out(tmp_path, studio=text, framed=BORDERED), OFFERS, [BORDER])).told
    assert [one.name for one in told] == ["hot/proof", "hot/final"]
    assert told[1].paragraphs[0].startswith("OFF: recipe framed is off: step 6 uses 'border'")
