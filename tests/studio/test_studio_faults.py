"""Faults of single files: each kind once, word for word."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import field_validator
from studio_kit import OFFERS, PEARL, SHORELINE, STUDIO, faults, lay_out, offer

from drydown.api import Settings
from drydown.errors import Exit, StudioError
from drydown.studio.load import load

BORDERLESS = "borderless is refused, because drivers enlarge the picture by a few per cent to bleed it, so that neither size nor sharpening holds"
RECIPE_KEYS = "stock, sheet, margin_mm, binding_mm, binding_side, leaf, viewing_mm, light, untagged and step"


def test_a_sound_studio_has_no_faults(tmp_path: Path) -> None:
    assert faults(tmp_path) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("ppi = 360", 'ppi = "360"', 'ppi: must be a number; found "360"'),
        ("ppi = 360", "ppi = 20", "ppi: must be at least 72; found 20"),
        ("ppi = 360", "ppi = nan", "ppi: must be a finite number; found nan"),
        ("ppi = 360", "", "ppi: is missing"),
        ("ppi = 360", "pppi = 360", "pppi: no such key; did you mean ppi?"),
        ("dry_minutes = 30", "dry_minutes = 2.5", "dry_minutes: must be a whole number; found 2.5"),
        (
            "dry_minutes = 30",
            'intent = "relativ"',
            'intent: must be "perceptual", "relative", "saturation" or "absolute"; found "relativ"; did you mean "relative"?',
        ),
        (
            "dry_minutes = 30",
            "black_point_compensation = 1",
            "black_point_compensation: must be true or false; found 1",
        ),
        ("ppi = 360", r'ppi = "\u001b[31m"', r'ppi: must be a number; found "\x1b[31m"'),
        ('lot = "0412"', "lot = 412", "lot: must be text in quotes; found 412"),
        (
            "dry_minutes = 30",
            'profile_made = "May"',
            'profile_made: must be a day such as 2024-05-01; found "May"',
        ),
        (", left = 6", "", "unprintable_mm.left: is missing"),
        (
            'sheets = ["letter", "11x17", "13x19"]',
            "sheets = []",
            "sheets: must have at least one entry; found an empty list",
        ),
        (
            'sheets = ["letter", "11x17", "13x19"]',
            'sheets = "11x17"',
            'sheets: must be a list in brackets; found "11x17"',
        ),
        (
            '"profiles/pearl.icc"',
            '"profiles\\\\pearl.icc"',
            r'profile: write it with forward slashes; found "profiles\pearl.icc"',
        ),
        ('quality = "high"', 'qualty = "high"', "ticket.qualty: no such key; did you mean quality?"),
        (
            'quality = "high"',
            "refeed = true",
            "ticket.refeed: no such key here; refeed belongs higher up: move it above the first line in brackets",
        ),
        (
            'quality = "high"',
            'borderless = "on"',
            f'ticket.borderless: {BORDERLESS}; write "off", print on a larger sheet and trim',
        ),
        (
            'quality = "high"',
            "driver_colour = false",
            "ticket.driver_colour: must be text in quotes; found false",
        ),
        (
            "[ticket]",
            '[[custom_sheet]]\nname = "letter"\nwidth_mm = 200\nheight_mm = 200\n[ticket]',
            'custom_sheet 1 (letter): name: "letter" is a standard sheet already (na_letter_8.5x11in); give yours another name',
        ),
    ],
)
def test_a_fault_of_a_stock_is_told_in_words(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in PEARL
    found = faults(tmp_path, pearl=PEARL.replace(old, new))
    assert found == [f"stocks/pearl.toml: {told}"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("margin_mm = 12.7", "margin_mm = -1", "margin_mm: must be more than 0; found -1"),
        (
            "margin_mm = 12.7",
            "margin_mm = 0",
            f"margin_mm: {BORDERLESS}; give a margin, print on a larger sheet and trim",
        ),
        ("margin_mm = 12.7", "margin = 12.7", "margin: no such key; did you mean margin_mm?"),
        ("margin_mm = 12.7", "foo = 12.7", f"foo: no such key; known here: {RECIPE_KEYS}"),
        (
            "margin_mm = 12.7",
            'leaf = "versoo"',
            'leaf: must be "single", "recto" or "verso"; found "versoo"; did you mean "verso"?',
        ),
        ("strength = 0.4", "strength = 3", "step 7 (sharpen): strength: must be at most 1; found 3"),
        (
            "strength = 0.4",
            "strenght = 0.4",
            "step 7 (sharpen): strenght: no such key; did you mean strength?",
        ),
        ("strength = 0.4", "radius = 0.4", "step 7 (sharpen): radius: no such key; did you mean radius_mm?"),
        (
            "strength = 0.4",
            "viewing_mm = 500",
            "step 7 (sharpen): viewing_mm: no such key here; "
            "viewing_mm belongs higher up: move it above the first line in brackets",
        ),
        ("strength = 0.4", "strength = true", "step 7 (sharpen): strength: must be a number; found true"),
        ("slug = true", "slugs = true", "[final]: slugs: no such key; did you mean slug?"),
        (
            'use = "balance"',
            'use = "ballance"',
            "step 6 (ballance): no installed plugin offers a step called 'ballance'; did you mean balance?",
        ),
        (
            'use = "balance"',
            'use = "border"',
            "step 6 (border): no installed plugin offers a step called 'border'; "
            "installed: flatten, crop, resample, convert, tone-lift, balance and sharpen",
        ),
        (
            'use = "balance"',
            'use = "final"',
            "step 6 (final): 'final' is a sheet maker, not a step; it ends the chain: "
            'say sheet_maker = "final" in the hot folder, and put its settings under [final]',
        ),
        ('use = "balance"', 'ues = "balance"', "step 6: use: is missing; ues should be use"),
        ('use = "balance"', "use = 3", "step 6: use: must be the name of a step, in quotes; found 3"),
        (
            'use = "balance"',
            'use = "tone-lift"',
            "step 6: is called 'tone-lift', as step 5 is; give one of them a name of its own: name = \"tone-lift-2\"",
        ),
        (
            'use = "balance"',
            'use = "balance"\nname = "Last Touch"',
            'step 6 (Last Touch): name: cannot be "Last Touch"; small letters, digits and hyphens only',
        ),
        (
            'use = "balance"',
            'use = "balance"\nname = "final"',
            "step 6 (final): name: 'final' has a meaning of its own; give the step another name",
        ),
        (
            "[final]",
            "[fnal]",
            "[fnal]: no installed plugin offers a sheet maker called 'fnal'; did you mean final?",
        ),
        (
            "[final]\nslug = true",
            "[sharpen]\nradius_mm = 0.1",
            'sharpen: is a step; its settings stand in its [[step]] table, after use = "sharpen"',
        ),
        (
            "margin_mm = 12.7",
            "margin_mm = 250",
            "margin_mm: margins leave -220.6 × -68.2 mm for the picture on 11x17 (279.4 × 431.8 mm) upright; "
            "make them smaller, or the sheet larger",
        ),
        ('stock = "pearl"', 'stock = "perl"', "stock: no stock is called 'perl'; did you mean pearl?"),
        ('stock = "pearl"', 'stock = "matte"', "stock: no stock is called 'matte'; stocks/ has pearl"),
        ('sheet = "11x17"', 'sheet = "11x71"', "sheet: no sheet is called '11x71'; did you mean 11x17?"),
        (
            'sheet = "11x17"',
            'sheet = "A3+"',
            "sheet: stock pearl does not keep A3+ (329 × 483 mm); "
            "it keeps 13x19 (330.2 × 482.6 mm): these are two sizes, and never the same sheet",
        ),
        (
            'sheet = "11x17"',
            'sheet = "8x10"',
            "sheet: stock pearl does not keep 8x10 (203.2 × 254 mm); it keeps letter, 11x17 and 13x19",
        ),
    ],
)
def test_a_fault_of_a_recipe_is_told_in_words(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in SHORELINE
    found = faults(tmp_path, shoreline=SHORELINE.replace(old, new))
    assert found == [f"recipes/shoreline.toml: {told}"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            'stock = "pearl"\nsheet = "11x17"\n',
            "has no [[step]] table; a recipe is a chain of at least one step",
        ),
        (
            'stock = "pearl"\nsheet = "11x17"\n[step]\nuse = "crop"\n',
            "step: is one table; write [[step]], with two brackets, for each step",
        ),
        (
            'stock = "pearl\n',
            "line 1, column 15: not TOML: illegal character '\\n'; the closing quote is missing",
        ),
        (
            "stock = pearl\n",
            "line 1, column 9: not TOML: invalid value; text stands in quotes; true, false and numbers do not",
        ),
        (
            'stock = "pearl"\nstock = "matte"\n',
            "line 2, column 16: not TOML: cannot overwrite a value; this key stands twice",
        ),
        ("stock\n", "line 1, column 6: not TOML: expected '=' after a key in a key/value pair"),
    ],
)
def test_a_recipe_that_is_no_recipe_is_told_with_its_line(tmp_path: Path, text: str, told: str) -> None:
    assert faults(tmp_path, shoreline=text) == [f"recipes/shoreline.toml: {told}"]


def test_a_file_that_is_not_utf8_is_told_with_the_byte(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / "stocks/pearl.toml").write_bytes(b'lot = "\xe9"')
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert str(caught.value) == "stocks/pearl.toml: byte 8: is not UTF-8 text; save the file as UTF-8"


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    lay_out(tmp_path)
    text = SHORELINE.replace("\n", "\r\n")
    (tmp_path / "recipes/shoreline.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert load(tmp_path, OFFERS).recipes["shoreline"].sheet == "11x17"


def test_a_folder_without_studio_toml_is_no_studio(tmp_path: Path) -> None:
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert str(caught.value) == (
        f"studio.toml: is missing in {tmp_path}: this is no studio; run drydown init {tmp_path}, or say which folder with --studio"
    )
    assert caught.value.exit_code is Exit.STUDIO_FAULTY


def test_a_profile_that_is_not_there_is_told_with_the_next_move(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / "profiles/pearl.icc").unlink()
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert (
        str(caught.value)
        == "stocks/pearl.toml: profile: profiles/pearl.icc is missing; copy your paper's profile there"
    )
    (tmp_path / "profiles/perl.icc").touch()
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert "did you mean profiles/perl.icc?" in str(caught.value)


def test_files_that_a_person_does_not_see_are_not_read(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / "recipes/._shoreline.toml").write_bytes(b"\x00\x05")
    (tmp_path / "stocks/.pearl.toml.swp").write_bytes(b"\x00")
    assert list(load(tmp_path, OFFERS).recipes) == ["shoreline"]


def test_a_key_that_slipped_out_of_a_misspelt_one_is_one_fault_not_two(tmp_path: Path) -> None:
    studio = STUDIO.replace(
        'recipe = "shoreline"\nsheet_maker = "final"', 'recip = "shoreline"\nsheet_maker = "final"'
    )
    assert faults(tmp_path, studio=studio) == [
        "studio.toml: hot_folder 2 (hot/final): recip: no such key; did you mean recipe?"
    ]


def test_a_step_whose_own_check_is_broken_is_a_fault_of_that_step_alone(tmp_path: Path) -> None:
    class Broken(Settings):
        strength: float = 0.0

        @field_validator("strength")
        @classmethod
        def _check(cls, value: float) -> float:
            raise RuntimeError("a defect")

    lay_out(tmp_path)
    with pytest.raises(StudioError) as caught:
        load(tmp_path, {**OFFERS, "sharpen": offer("sharpen", Broken)})
    assert str(caught.value) == (
        "recipes/shoreline.toml: step 7 (sharpen): its settings cannot be checked: RuntimeError: a defect"
    )


def test_a_settings_class_with_alternatives_is_one_fault_with_all_of_them(tmp_path: Path) -> None:
    class Either(Settings):
        strength: float | tuple[float, float] = 0.0

    lay_out(tmp_path, shoreline=SHORELINE.replace("0.4", '"strong"'))
    with pytest.raises(StudioError) as caught:
        load(tmp_path, {**OFFERS, "sharpen": offer("sharpen", Either)})
    assert str(caught.value) == (
        'recipes/shoreline.toml: step 7 (sharpen): strength: must be a number or be a list in brackets; found "strong"'
    )
