"""Where patches lie: equal, large enough, apart, whole."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drydown.api import MM_PER_INCH, Box, EdgesMm, Refusal, Sheet, SizeMm
from drydown.geometry import RectMm
from drydown.imaging.strip_layout import (
    GAP_MM,
    LEAST_PATCH_MM,
    Laid,
    Part,
    Wish,
    caption_mm,
    lay,
    room,
)

LETTER = Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in")
EDGES = EdgesMm(3, 3.4, 5, 3.4)
LARGE = SizeMm(400, 400)


def wish(
    count: int,
    *,
    shape: tuple[int, int] | None = None,
    block: int = 1,
    patch_mm: float | None = None,
    lines: int = 1,
) -> Wish:
    size = None if patch_mm is None else SizeMm(patch_mm, patch_mm)
    return Wish(count=count, shape=shape, block=block, lines=lambda wide: lines, patch_mm=size, most_mm=LARGE)


def boxes(laid: Laid, count: int) -> list[Box]:
    cells = [divmod(number, laid.columns) for number in range(count)]
    return [laid.patch(*cell, n) for cell in cells for n in range(laid.block[0] * laid.block[1])]


def apart(one: Box, other: Box) -> int:
    """The bare paper between two patches, in whole pixels; negative where they overlap."""
    across = max(one.left, other.left) - min(one.left + one.width, other.left + other.width)
    down = max(one.top, other.top) - min(one.top + one.height, other.top + other.height)
    return max(across, down)


@given(
    width=st.floats(100, 330),
    height=st.floats(100, 480),
    count=st.integers(1, 30),
    block=st.sampled_from([1, 2]),
    lines=st.integers(1, 3),
    ppi=st.sampled_from([72.0, 100.0, 300.0, 360.0]),
)
def test_patches_are_equal_large_enough_apart_and_inside_or_the_strip_is_refused(
    width: float, height: float, count: int, block: int, lines: int, ppi: float
) -> None:
    inside = RectMm(6.0, 7.0, width, height)
    canvas = RectMm(3.0, 3.0, width + 10, height + 10)
    try:
        laid = lay(wish(count, block=block, lines=lines), inside, canvas, ppi)
    except Refusal as refusal:
        found = re.search(r"(\d+) do, in", refusal.sentence)
        assert (int(found[1]) if found else 0) < count
        return
    px = ppi / MM_PER_INCH
    patches = boxes(laid, count)
    least = LEAST_PATCH_MM * px - 1e-6
    assert all((box.width, box.height) == laid.patch_px for box in patches)
    assert min(laid.patch_px) >= least
    assert all(apart(one, other) >= GAP_MM * px for n, one in enumerate(patches) for other in patches[:n])
    left, top = (inside.left - canvas.left) * px, (inside.top - canvas.top) * px
    for number in range(count):
        cell = divmod(number, laid.columns)
        base = laid.caption(*cell)[1] + caption_mm(lines) * px
        assert base <= top + height * px + 1e-6
    assert min(box.left for box in patches) >= left - 1e-6
    assert max(box.left + box.width for box in patches) <= left + width * px + 1e-6


@given(count=st.integers(1, 60), block=st.sampled_from([1, 2]))
def test_the_number_that_a_refusal_names_does_fit(count: int, block: int) -> None:
    inside = RectMm(5, 5, 200, 215)
    try:
        lay(wish(count, block=block), inside, inside, 100)
    except Refusal as refusal:
        found = re.search(r"; (\d+) do, in (\d+) rows of (\d+)", refusal.sentence)
        assert found is not None
        fits, rows, columns = (int(text) for text in found.groups())
        assert fits == rows * columns < count
        laid = lay(wish(fits, block=block), inside, inside, 100)
        assert laid.rows * laid.columns >= fits


@given(count=st.integers(1, 12), lines=st.integers(1, 3))
def test_the_caption_lies_nearer_to_its_own_patch_than_to_the_next_row(count: int, lines: int) -> None:
    inside = RectMm(5, 5, 120, 260)
    try:
        laid = lay(wish(count, lines=lines), inside, inside, 360)
    except Refusal:
        return
    own = laid.caption(0, 0)[1] - (laid.patch(0, 0).top + laid.patch(0, 0).height)
    assert own == laid.gap_px == math.ceil(GAP_MM / MM_PER_INCH * 360)
    if laid.rows > 1:
        end = laid.caption(0, 0)[1] + caption_mm(lines) / MM_PER_INCH * 360
        assert laid.patch(1, 0).top - end > own


def test_the_sheet_is_filled_well() -> None:
    inside = RectMm(5, 5, 205, 220)
    for count in (5, 9, 13, 15, 25):
        laid = lay(wish(count), inside, inside, 360)
        covered = count * laid.patch_px[0] * laid.patch_px[1] / (205 * 220 * (360 / MM_PER_INCH) ** 2)
        assert covered >= 0.5, f"{count} patches cover {covered:.0%}"


def test_a_patch_is_no_larger_than_the_picture_and_no_longer_than_a_photograph() -> None:
    inside = RectMm(5, 5, 205, 220)
    small = Wish(count=2, shape=None, lines=lambda wide: 1, most_mm=SizeMm(60, 40))
    laid = lay(small, inside, inside, 100)
    assert laid.patch_px[0] <= 60 / MM_PER_INCH * 100 and laid.patch_px[1] <= 40 / MM_PER_INCH * 100
    for count in range(1, 26):
        width, height = lay(wish(count), inside, inside, 360).patch_px
        assert 1 / 1.51 <= width / height <= 1.51


def test_an_arranged_series_keeps_its_rows_and_columns() -> None:
    inside = RectMm(5, 5, 205, 220)
    laid = lay(wish(13, shape=(3, 5)), inside, inside, 360)
    assert (laid.rows, laid.columns) == (3, 5)


def test_a_patch_of_a_given_size_has_that_size_and_too_many_are_refused_with_what_would_fit() -> None:
    inside = RectMm(5, 5, 205, 220)
    assert lay(wish(9, patch_mm=40), inside, inside, 254).patch_px == (400, 400)
    with pytest.raises(
        Refusal, match=r"25 patches of 40 mm do not fit into the 205 x 220 mm .*; 16 do, in 4 rows of 4"
    ):
        lay(wish(25, patch_mm=40), inside, inside, 254)
    with pytest.raises(Refusal, match="No patch of at least 25 mm fits into the 20 x 200 mm"):
        lay(wish(1), RectMm(5, 5, 20, 200), inside, 254)


@pytest.mark.parametrize(
    "part", ["whole", "first-half", "second-half", "quarter-1", "quarter-2", "quarter-3", "quarter-4"]
)
def test_a_part_stays_in_its_part_and_in_reach_of_the_printer(part: Part) -> None:
    place = room(LETTER, EDGES, part, "printable")
    inside = place.inside_mm
    assert inside.left >= EDGES.left and inside.top >= EDGES.top
    assert inside.right <= 215.9 - EDGES.right and inside.bottom <= 279.4 - EDGES.bottom
    if part != "whole":
        assert inside.bottom < 279.4 / 2
    if part.startswith("quarter"):
        assert inside.right < 215.9 / 2 or inside.left > 215.9 / 2
    assert place.canvas_mm == RectMm(3.4, 3, 215.9 - 6.8, 279.4 - 8)


def test_the_second_half_is_laid_like_the_first_because_the_sheet_is_turned() -> None:
    assert room(LETTER, EDGES, "first-half", "sheet") == room(LETTER, EDGES, "second-half", "sheet")
    assert room(LETTER, EDGES, "quarter-2", "sheet") == room(LETTER, EDGES, "quarter-4", "sheet")
    with pytest.raises(ValueError, match="does not state its unprintable edges"):
        room(LETTER, None, "whole", "printable")
