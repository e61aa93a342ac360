"""Sheet sizes. Sources: PWG 5101.1 (names and sizes), ISO 216 (the A series); A3+ as 329 x 483 mm is common practice, no source."""

from __future__ import annotations

import math

import pytest

from drydown.api import SizeMm
from drydown.studio.sheets import UnknownSheet, confusable, custom_sheet, sheet, standard_sheets

#: PWG 5101.1, and ISO 216 for the A series: millimetres, inch sizes by 25.4.
SIZES = {
    "letter": ("na_letter_8.5x11in", 215.9, 279.4),
    "legal": ("na_legal_8.5x14in", 215.9, 355.6),
    "11x17": ("na_ledger_11x17in", 279.4, 431.8),
    "13x19": ("na_super-b_13x19in", 330.2, 482.6),
    "17x22": ("na_c_17x22in", 431.8, 558.8),
    "4x6": ("na_index-4x6_4x6in", 101.6, 152.4),
    "5x7": ("na_5x7_5x7in", 127.0, 177.8),
    "8x10": ("na_govt-letter_8x10in", 203.2, 254.0),
    "10x15cm": ("om_small-photo_100x150mm", 100.0, 150.0),
    "A5": ("iso_a5_148x210mm", 148.0, 210.0),
    "A4": ("iso_a4_210x297mm", 210.0, 297.0),
    "A3": ("iso_a3_297x420mm", 297.0, 420.0),
    "A2": ("iso_a2_420x594mm", 420.0, 594.0),
    "A3+": ("custom_a3-plus_329x483mm", 329.0, 483.0),
}
#: Inches times ppi for inch sizes; for the others round(mm / 25.4 * ppi), worked out by hand.
PIXELS = {
    ("letter", 300): (2550, 3300),
    ("letter", 360): (3060, 3960),
    ("letter", 600): (5100, 6600),
    ("letter", 720): (6120, 7920),
    ("11x17", 300): (3300, 5100),
    ("11x17", 360): (3960, 6120),
    ("11x17", 600): (6600, 10200),
    ("11x17", 720): (7920, 12240),
    ("13x19", 300): (3900, 5700),
    ("13x19", 360): (4680, 6840),
    ("13x19", 600): (7800, 11400),
    ("13x19", 720): (9360, 13680),
    ("A3+", 300): (3886, 5705),
    ("A3+", 360): (4663, 6846),
    ("A3+", 600): (7772, 11409),
    ("A3+", 720): (9326, 13691),
    ("A4", 300): (2480, 3508),
    ("A4", 360): (2976, 4209),
    ("A4", 600): (4961, 7016),
    ("A4", 720): (5953, 8419),
    ("A3", 300): (3508, 4961),
    ("A3", 360): (4209, 5953),
    ("A3", 600): (7016, 9921),
    ("A3", 720): (8419, 11906),
}


@pytest.mark.parametrize("name", SIZES)
def test_a_sheet_has_the_standards_name_and_size(name: str) -> None:
    pwg, width, height = SIZES[name]
    found = sheet(name)
    assert (found.name, found.pwg, found.size) == (name, pwg, SizeMm(width, height))


@pytest.mark.parametrize(("name", "ppi"), PIXELS)
def test_a_sheet_has_exactly_these_pixels(name: str, ppi: int) -> None:
    assert sheet(name).size.px(ppi) == PIXELS[name, ppi]


def test_13x19_and_a3_plus_are_two_sheets() -> None:
    assert sheet("13x19").size != sheet("A3+").size
    assert confusable(sheet("13x19"), sheet("A3+"))


def test_the_a_series_halves_by_its_long_side() -> None:
    """ISO 216: each size is the larger one cut across its long side, rounded down to whole millimetres."""
    for larger, smaller in (
        ("A0", "A1"),
        ("A1", "A2"),
        ("A2", "A3"),
        ("A3", "A4"),
        ("A4", "A5"),
        ("A5", "A6"),
    ):
        whole, half = sheet(larger).size, sheet(smaller).size
        assert (half.width, half.height) == (math.floor(whole.height / 2), whole.width)


def test_every_name_says_its_own_size() -> None:
    """PWG 5101.1's names are self-describing: the numbers in a name are the sheet's sides."""
    for found in standard_sheets():
        text, unit = found.pwg.rsplit("_", 1)[1][:-2], found.pwg[-2:]
        sides = [float(side) * (25.4 if unit == "in" else 1) for side in text.split("x")]
        assert sides == pytest.approx([found.size.width, found.size.height], abs=1e-9), found.name
        assert found.size.width <= found.size.height


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("Letter", "letter"),
        ("8.5x11in", "letter"),
        ("tabloid", "11x17"),
        ("Ledger", "11x17"),
        ("11 × 17", "11x17"),
        ("super b", "13x19"),
        ("na_super-b_13x19in", "13x19"),
        ("iso_a4_210x297mm", "A4"),
        ("a3+", "A3+"),
        ("10x15 cm", "10x15cm"),
    ],
)
def test_other_names_of_a_sheet_find_it(said: str, name: str) -> None:
    assert sheet(said).name == name


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("lettr", "no sheet is called 'lettr'; did you mean letter?"),
        ("17x11", "no sheet is called '17x11'; sheets are named upright: 11x17"),
        ("10x15", "no sheet is called '10x15'; did you mean 10x15cm?"),
        ("poster", "no sheet is called 'poster'; give its size in a [[custom_sheet]] table of the stock"),
    ],
)
def test_an_unknown_sheet_comes_with_a_guess(said: str, told: str) -> None:
    with pytest.raises(UnknownSheet) as caught:
        sheet(said)
    assert str(caught.value) == told


def test_a_sheet_of_ones_own_is_kept_upright_and_found_by_its_name() -> None:
    square = custom_sheet("Wide 1", 300, 150.5)
    assert (square.size, square.pwg) == (SizeMm(150.5, 300), "custom_wide-1_150.5x300mm")
    assert sheet("wide 1", [square]) is square
