"""Where a picture and its slug lie on a sheet, for any sheet, margins and edges: nothing off the sheet, nothing over the picture."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drydown.api import EdgesMm, SizeMm
from drydown.geometry import (
    CLEAR_MM,
    GUARD_MM,
    RectMm,
    canvas,
    centred,
    default_form,
    inner,
    slug_height_mm,
    slug_place,
    slug_strips,
)

LENGTHS = st.floats(50, 1200)
EDGES = st.builds(EdgesMm, *[st.floats(0, 20)] * 4)
SLACK_MM = 1e-9  # of the sums


@st.composite
def laid_out(draw: st.DrawFn) -> tuple[SizeMm, EdgesMm | None, RectMm, RectMm]:
    """A sheet, what its printer cannot reach, the room inside its margins and a picture in the middle of it."""
    size = SizeMm(draw(LENGTHS), draw(LENGTHS))
    room = inner(size, draw(EDGES))
    share = st.floats(0.01, 1)
    picture = centred(room, SizeMm(room.width * draw(share), room.height * draw(share)))
    return size, draw(st.none() | EDGES), room, picture


def contains(outer: RectMm, one: RectMm) -> bool:
    return (
        one.left >= outer.left - SLACK_MM
        and one.top >= outer.top - SLACK_MM
        and one.right <= outer.right + SLACK_MM
        and one.bottom <= outer.bottom + SLACK_MM
    )


@given(laid_out())
def test_a_picture_lies_in_its_room_with_equal_white_on_both_sides(
    case: tuple[SizeMm, EdgesMm | None, RectMm, RectMm],
) -> None:
    size, _, room, picture = case
    assert contains(RectMm(0, 0, size.width, size.height), room) and contains(room, picture)
    assert abs((picture.left - room.left) - (room.right - picture.right)) < 1e-6
    assert abs((picture.top - room.top) - (room.bottom - picture.bottom)) < 1e-6


@given(laid_out())
def test_the_file_never_holds_more_than_the_sheet_and_always_what_a_form_promises(
    case: tuple[SizeMm, EdgesMm | None, RectMm, RectMm],
) -> None:
    size, edges, _, picture = case
    whole = RectMm(0, 0, size.width, size.height)
    assert canvas("picture", size, edges, picture) == picture
    assert canvas("sheet", size, edges, picture) == whole
    held = canvas(default_form(edges), size, edges, picture)
    assert contains(whole, held)
    assert (held == whole) == (edges is None or edges == EdgesMm())


@given(laid_out(), st.integers(1, 6))
def test_a_slug_stands_clear_of_the_picture_and_inside_what_the_printer_reaches(
    case: tuple[SizeMm, EdgesMm | None, RectMm, RectMm], lines: int
) -> None:
    size, edges, room, picture = case
    strips = slug_strips(size, edges, room, picture)
    slug = slug_place(strips, lines)
    if slug is None:
        assert all(strip.height < slug_height_mm(lines) for strip in strips)
        return
    assert slug.height == slug_height_mm(lines)
    assert slug.left == picture.left and slug.right == pytest.approx(room.right)
    assert (
        slug.top >= picture.bottom + CLEAR_MM - SLACK_MM or slug.bottom <= picture.top - CLEAR_MM + SLACK_MM
    )
    assume(edges is not None)
    assert edges is not None
    assert slug.top >= edges.top + GUARD_MM - SLACK_MM
    assert slug.bottom <= size.height - edges.bottom - GUARD_MM + SLACK_MM


@given(st.builds(SizeMm, LENGTHS, LENGTHS), EDGES)
def test_turning_twice_changes_nothing(size: SizeMm, edges: EdgesMm) -> None:
    assert size.turned().turned() == size
    turned, upright = inner(size.turned(), edges.turned()), inner(size, edges)
    assert (turned.width, turned.height) == pytest.approx((upright.height, upright.width))
