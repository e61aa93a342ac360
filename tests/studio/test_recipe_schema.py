"""The JSON Schema of recipes: what the program takes it takes, what the program refuses it marks."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from drydown.discovery import discover
from drydown.studio.schema import recipe_schema

ROOT = Path(__file__).parents[2]
RECIPES = [*(ROOT / "config" / "recipes").glob("*.toml"), *(ROOT / "examples").rglob("recipes/*.toml")]
VALID = jsonschema.Draft202012Validator(recipe_schema(discover().offers))


def test_it_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(VALID.schema)


@pytest.mark.parametrize(
    "recipe",
    [path for path in RECIPES if not path.name.endswith(".settled.toml")],
    ids=lambda path: path.name,
)
def test_our_own_recipes_are_valid(recipe: Path) -> None:
    assert not list(VALID.iter_errors(tomllib.loads(recipe.read_text())))


def a_recipe(**changes: Any) -> dict[str, Any]:
    return {
        "stock": "pearl",
        "sheet": "letter",
        "step": [{"use": "convert"}, {"use": "sharpen", "strength": 0.4}],
        **changes,
    }


def test_a_step_with_a_name_of_its_own_and_the_table_of_a_sheet_maker_are_valid() -> None:
    named = [{"use": "balance", "name": "first", "magenta": 3.0}, {"use": "balance", "name": "second"}]
    assert VALID.is_valid(a_recipe(step=named, final={"slug": False}))


@pytest.mark.parametrize(
    "wrong",
    [
        {"step": [{"use": "sharpen", "strenth": 0.4}]},
        {"step": [{"use": "sharpen", "strength": 4}]},
        {"step": [{"use": "sharpn"}]},
        {"step": []},
        {"final": {"bits": 12}},
        {"sheat": "letter"},
        {"margin_mm": "wide"},
    ],
    ids=str,
)
def test_a_slip_is_marked(wrong: dict[str, Any]) -> None:
    assert VALID.is_valid(a_recipe()) and not VALID.is_valid(a_recipe(**wrong))
