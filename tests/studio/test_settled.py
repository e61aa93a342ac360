"""Settled values: laid over the recipe, kept in a file of their own, and left out where the paper has changed."""

from __future__ import annotations

from pathlib import Path

import pytest
from studio_kit import OFFERS, PEARL, SHORELINE, lay_out, opened

from drydown.errors import Conflict, StudioError
from drydown.studio.explain import explain
from drydown.studio.load import load
from drydown.studio.resolve import resolve
from drydown.studio.settled import Choice, SettledFile, fingerprint, hash_file, read_settled, write_settled


def choice(root: Path, **values: float) -> Choice:
    studio = opened(root)
    return Choice(
        values={key.replace("__", "."): value for key, value in values.items()},
        job="j1",
        patch="B3",
        date="2026-03-01T14:05:00+01:00",
        light="D50 500 lx",
        minutes=45,
        stock=fingerprint("pearl", studio.stocks["pearl"], hash_file(studio.profile("pearl"))),
    )


def settle(root: Path, **values: float) -> Path:
    return write_settled(root, SettledFile(recipe="shoreline", now=choice(root, **values)))


def test_settled_values_lie_over_the_recipe_and_under_the_picture(tmp_path: Path) -> None:
    settle(tmp_path, balance__magenta=4.0, balance__cyan=-2.0)
    found = resolve(load(tmp_path, OFFERS), recipe="shoreline", picture={"balance.cyan": 1})
    balance = found.step("balance")
    assert balance is not None
    assert balance.values() == {"cyan": 1.0, "magenta": 4.0, "yellow": 0.0}
    assert balance.origin == {"cyan": "picture", "magenta": "settled"}
    assert found.notes == ()


def test_the_file_reads_back_as_it_was_written_and_keeps_every_earlier_choice(tmp_path: Path) -> None:
    path = settle(tmp_path, balance__magenta=4.0)
    first, _ = read_settled(path, "x")
    assert first is not None
    second = first.with_(
        choice(tmp_path, balance__magenta=5.5).model_copy(update={"minutes": None, "patch": "C1"})
    )
    write_settled(tmp_path, second)
    again, faults = read_settled(path, "x")
    assert (again, faults) == (second, [])
    assert again is not None
    assert [one.values["balance.magenta"] for one in (again.now, *again.before)] == [5.5, 4.0]
    assert path.read_text().startswith("# Written by drydown when a patch is chosen.")


def test_writing_settled_values_leaves_the_hand_written_recipe_alone(tmp_path: Path) -> None:
    lay_out(tmp_path)
    before = (tmp_path / "recipes/shoreline.toml").read_bytes()
    settle(tmp_path, balance__magenta=4.0)
    assert (tmp_path / "recipes/shoreline.toml").read_bytes() == before
    assert sorted(path.name for path in (tmp_path / "recipes").iterdir()) == [
        "shoreline.settled.toml",
        "shoreline.toml",
    ]


def test_a_file_of_that_name_that_the_program_has_not_written_is_never_overwritten(tmp_path: Path) -> None:
    lay_out(tmp_path)
    path = tmp_path / "recipes/shoreline.settled.toml"
    path.write_text("mine = 3\n")
    with pytest.raises(Conflict, match=r"shoreline\.settled\.toml is not what drydown wrote"):
        write_settled(tmp_path, SettledFile(recipe="shoreline", now=choice_without_load(tmp_path)))
    assert path.read_text() == "mine = 3\n"
    with pytest.raises(Conflict, match="cannot be the name of a recipe"):
        write_settled(tmp_path, SettledFile(recipe="../x", now=choice_without_load(tmp_path)))


def choice_without_load(root: Path) -> Choice:
    (held := root / "recipes/shoreline.settled.toml").rename(root / "held")
    try:
        return choice(root)
    finally:
        (root / "held").rename(held)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('lot = "0412"', 'lot = "0517"', "settled on lot 0412, now 0517"),
        ('quality = "high"', 'quality = "fine"', "quality was high, now fine"),
        ('quality = "high"', "", "quality was high, now not stated"),
        ('quality = "high"', 'quality = "high"\nblack_ink = "matte"', "black_ink was not stated, now matte"),
    ],
)
def test_values_judged_on_another_lot_or_setting_are_left_out_and_said(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    settle(tmp_path, balance__magenta=4.0)
    (tmp_path / "stocks/pearl.toml").write_text(PEARL.replace(old, new))
    studio = load(tmp_path, OFFERS)
    found = resolve(studio, recipe="shoreline")
    note = (
        f"settled values are left out (balance.magenta), because they were judged on something else: {told}. "
        "Print one strip, and choose again."
    )
    assert found.notes == (note,)
    balance = found.step("balance")
    assert balance is not None
    assert balance.values()["magenta"] == 0
    assert f"recipes/shoreline.settled.toml: {note}" in [str(one) for one in explain(studio).advice]


def test_values_judged_with_another_profile_are_left_out(tmp_path: Path) -> None:
    settle(tmp_path, balance__magenta=4.0)
    (tmp_path / "profiles/pearl.icc").write_bytes(b"another profile")
    found = resolve(load(tmp_path, OFFERS), recipe="shoreline")
    assert "the profile has changed" in found.notes[0]


def test_another_tray_or_name_of_the_stock_keeps_settled_values(tmp_path: Path) -> None:
    settle(tmp_path, balance__magenta=4.0)
    (tmp_path / "stocks/pearl.toml").unlink()
    (tmp_path / "stocks/gloss.toml").write_text(PEARL.replace("[ticket]", '[ticket]\nmedia_source = "rear"'))
    (tmp_path / "recipes/shoreline.toml").write_text(SHORELINE.replace('"pearl"', '"gloss"'))
    found = resolve(load(tmp_path, OFFERS), recipe="shoreline")
    balance = found.step("balance")
    assert balance is not None
    assert (balance.values()["magenta"], found.notes) == (4.0, ())


def test_the_fingerprint_hangs_on_what_decides_the_colour_and_on_nothing_else(tmp_path: Path) -> None:
    stock = opened(tmp_path).stocks["pearl"]
    base = fingerprint("pearl", stock, "aa")
    assert len(base.fingerprint) == 16
    assert fingerprint("other", stock, "aa").fingerprint == base.fingerprint
    assert (
        fingerprint("pearl", stock.model_copy(update={"refeed": True}), "aa").fingerprint == base.fingerprint
    )
    assert fingerprint("pearl", stock, "ab").fingerprint != base.fingerprint
    assert fingerprint("pearl", stock.model_copy(update={"lot": "1"}), "aa").fingerprint != base.fingerprint


@pytest.mark.parametrize(
    ("values", "told"),
    [
        (
            '"border.width_mm" = 3.0',
            "border.width_mm: recipe shoreline has no step called 'border'; put the step back, or move this file away",
        ),
        ('"balance.magenta" = 300.0', "balance: magenta: must be at most 50; found 300"),
        ('"balance.red" = 3.0', "balance: red: no such key; known here: cyan, magenta and yellow"),
    ],
)
def test_settled_values_that_the_recipe_cannot_take_are_faults(
    tmp_path: Path, values: str, told: str
) -> None:
    path = settle(tmp_path, balance__magenta=4.0)
    path.write_text(path.read_text().replace('"balance.magenta" = 4.0', values))
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert str(caught.value) == f"recipes/shoreline.settled.toml: {told}"


def test_settled_values_of_a_recipe_that_is_gone_or_of_a_newer_program_are_faults(tmp_path: Path) -> None:
    path = settle(tmp_path, balance__magenta=4.0)
    path.rename(tmp_path / "recipes/dunes.settled.toml")
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert str(caught.value) == (
        "recipes/dunes.settled.toml: settles 'dunes', and there is no such recipe; "
        "put recipes/dunes.toml back, or move this file away"
    )
    (tmp_path / "recipes/dunes.settled.toml").write_text("settled = 2\n")
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert str(caught.value) == (
        "recipes/dunes.settled.toml: settled: settled is 2; this program writes and reads 1; "
        "move the file away, or use the newer program"
    )
