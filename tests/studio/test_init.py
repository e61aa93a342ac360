"""Laying out a studio, and the studio that is laid out: commented, complete, and loaded as it stands."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import drydown_steps
from drydown.errors import Conflict, StudioError
from drydown.geometry import placement_faults
from drydown.studio.explain import explain
from drydown.studio.init import init, packaged
from drydown.studio.load import load
from drydown.studio.recipe import RecipeHead
from drydown.studio.settings import DaemonTable, HotFolderTable, PluginsTable, RetentionTable, StudioTable
from drydown.studio.stock import CustomSheet, StockFile, Ticket
from drydown.studio.studio import Studio

#: A setting that is written down but switched off.
OFF = re.compile(r"^#(?=\w+ = |\[\[)", re.MULTILINE)
FILES = ("studio.toml", "stocks/pearl.toml", "recipes/portfolio.toml")


def tree(root: Path) -> set[str]:
    return {path.relative_to(root).as_posix() for path in root.rglob("*")}


#: The steps and sheet makers that come with the program.
REAL = {offer.name: offer for offer in drydown_steps.drydown_steps()}


def loaded(root: Path) -> Studio:
    for name in ("pearl", "other"):
        (root / f"profiles/{name}.icc").write_bytes(b"a profile")
    return load(root, REAL)


def test_everything_a_studio_needs_is_laid_out(tmp_path: Path) -> None:
    root = tmp_path / "new/studio"
    written = init(root)
    assert next(path.relative_to(root).as_posix() for path in written) == "studio.toml"
    assert all(path.is_file() for path in written)
    assert set(FILES) <= tree(root)
    folders = {"hot/proof", "hot/final", "prints", "originals/done", "originals/held", "originals/refused"}
    assert {*folders, "state", "profiles", "plugins"} <= tree(root)
    assert (root / "state").stat().st_mode & 0o777 == 0o700


def test_hot_folders_are_made_ready_by_whoever_knows_how(tmp_path: Path) -> None:
    asked: list[Path] = []
    init(tmp_path / "s", set_up=asked.append)
    assert asked == [tmp_path / "s/hot/proof", tmp_path / "s/hot/final"]


def test_a_file_that_is_there_is_never_overwritten_and_nothing_else_is_written(tmp_path: Path) -> None:
    (tmp_path / "stocks").mkdir()
    (tmp_path / "stocks/pearl.toml").write_text("mine")
    (tmp_path / "studio.toml").symlink_to("gone")
    before = tree(tmp_path)
    with pytest.raises(Conflict) as caught:
        init(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path} has studio.toml and stocks/pearl.toml already, so nothing was written. Choose an empty folder."
    )
    assert (tree(tmp_path), (tmp_path / "stocks/pearl.toml").read_text()) == (before, "mine")


def test_a_file_where_a_folder_should_be_stops_it_before_anything_is_written(tmp_path: Path) -> None:
    (tmp_path / "prints").write_text("")
    with pytest.raises(Conflict, match="has prints already"):
        init(tmp_path)
    assert tree(tmp_path) == {"prints"}


def test_laying_out_twice_is_refused(tmp_path: Path) -> None:
    init(tmp_path)
    with pytest.raises(Conflict):
        init(tmp_path)


def test_the_only_fault_of_a_new_studio_is_the_profile_that_the_person_has_to_bring(tmp_path: Path) -> None:
    init(tmp_path)
    with pytest.raises(StudioError) as caught:
        load(tmp_path, REAL)
    assert (
        str(caught.value)
        == "stocks/pearl.toml: profile: profiles/pearl.icc is missing; copy your paper's profile there"
    )


def test_once_the_profile_is_there_the_new_studio_loads(tmp_path: Path) -> None:
    init(tmp_path)
    studio = loaded(tmp_path)
    assert [(hot.name, hot.recipe, hot.approve) for hot in studio.hot_folders] == [
        ("proof", "portfolio", False),
        ("final", "portfolio", True),
    ]


def test_a_new_studio_is_told_in_words_and_the_only_advice_is_what_only_a_person_can_measure(
    tmp_path: Path,
) -> None:
    init(tmp_path)
    found = explain(loaded(tmp_path), placement_faults=placement_faults)
    assert found.faults == ()
    assert [str(one) for one in found.advice] == [
        "stocks/pearl.toml: states no unprintable_mm: a driver may clip or shift the sheet; "
        "measure with drydown check --sheet"
    ]
    assert found.told[1].paragraphs[-4].startswith("Then final: slug true (recipe)")
    assert "form sheet (stock)" in found.told[1].paragraphs[-4]


def test_every_setting_of_every_step_there_is_stands_in_the_laid_out_recipe() -> None:
    text = (packaged() / "recipes/portfolio.toml").read_text("utf-8")
    tables = re.split(r"^\[+(?:step|final|test-strip)\]+$", text, flags=re.MULTILINE)[1:]
    assert len(tables) == len(REAL)
    for offer, table in zip(REAL.values(), tables, strict=True):
        assert f'use = "{offer.name}"' in table or offer.name in ("final", "test-strip")
        for key in offer.settings.model_fields:
            assert re.search(rf"^#?{key} = ", table, re.MULTILINE), f"{offer.name}: {key}"


def test_every_setting_that_is_switched_off_is_valid_once_it_is_switched_on(tmp_path: Path) -> None:
    init(tmp_path)
    for name in FILES:
        text = (tmp_path / name).read_text()
        plain, strip, alternatives = text.partition("[test-strip]")
        on = OFF.sub("", plain)
        assert on != plain
        (tmp_path / name).write_text(on + strip + alternatives)
    studio = loaded(tmp_path)
    assert studio.settings.plugins.off == ("studio-border",)
    assert [sheet.name for sheet in studio.stocks["pearl"].custom_sheets()] == ["square"]


@pytest.mark.parametrize(
    "keys",
    [
        ("vary", "values"),
        ("vary", "step", "count"),
        ("points",),
        ("step_cc", "verified", "patches", "wedge", "picture_name", "balance_step", "tone_step"),
        ("lift_step_L", "contrast_step", "patch_mm", "form", "compression"),
        ("region",),
        ("regions", "part"),
    ],
)
def test_every_way_of_laying_a_strip_is_valid_once_it_is_switched_on(
    tmp_path: Path, keys: tuple[str, ...]
) -> None:
    init(tmp_path)
    recipe = tmp_path / "recipes" / "portfolio.toml"
    head, strip, table = recipe.read_text().partition("[test-strip]")
    for key in keys:
        table, found = re.subn(rf"^#({key} = )", r"\1", table, count=1, flags=re.MULTILINE)
        assert found, key
    if {"vary", "points"} & set(keys):
        table = table.replace("series = ", "#series = ", 1)
    recipe.write_text(head + strip + table)
    loaded(tmp_path)


def test_what_is_switched_off_in_daemon_stands_at_its_default() -> None:
    table = tomllib.loads(OFF.sub("", (packaged() / "studio.toml").read_text("utf-8")))["daemon"]
    assert DaemonTable(**table) == DaemonTable()


@pytest.mark.parametrize(
    ("file", "models"),
    [
        ("studio.toml", (StudioTable, HotFolderTable, DaemonTable, PluginsTable, RetentionTable)),
        ("stocks/pearl.toml", (StockFile, Ticket, CustomSheet)),
        ("recipes/portfolio.toml", (RecipeHead,)),
    ],
)
def test_every_key_there_is_stands_in_the_laid_out_studio(
    file: str, models: tuple[type[StudioTable], ...]
) -> None:
    text = (packaged() / file).read_text("utf-8")
    for model in models:
        for key, field in model.model_fields.items():
            written = re.search(rf"^#?(\[\[)?{key}( = |\]\])|^\[{key}\]", text, re.MULTILINE)
            assert written, f"{file} does not show {key}"
            assert field.description or key in (
                "hot_folder",
                "daemon",
                "plugins",
                "ticket",
                "custom_sheet",
            ), key


def test_every_number_with_a_unit_has_it_in_its_name_or_in_its_description() -> None:
    free = {"ppi", "copies", "jobs_at_once", "max_pixels", "sharpen_strength"}
    for model in (HotFolderTable, DaemonTable, StockFile, CustomSheet, RecipeHead):
        for key, field in model.model_fields.items():
            if field.annotation in (int, float, int | None, float | None) and key not in free:
                assert re.search(r"_(mm|s|mb|minutes|hours)$", key), key
