"""Where a picture lies on its sheet: exact pixels, binding edges, what the printer cannot reach, and the placement sheet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.steps.sheet_kit import HALF_INCH, LEDGER, LETTER, a_job, flat, pixels_of

from drydown.api import EdgesMm, Refusal, Sheet, SizeMm
from drydown.geometry import RectMm, hard_edges, placement_faults, slug_height_mm, slug_place, slug_strips
from drydown.imaging.placement_sheet import make_placement_sheet
from drydown.imaging.sheets import assembled, placed

PEARL_EDGES = EdgesMm(top=3, right=3, bottom=12, left=3)
BOUND = EdgesMm(top=12.7, right=12.7, bottom=12.7, left=25.4)


@pytest.mark.parametrize(
    ("ppi", "sheet_px"),
    [(300, (2550, 3300)), (360, (3060, 3960)), (600, (5100, 6600)), (720, (6120, 7920))],
)
def test_a_letter_sheet_has_its_exact_pixels(ppi: float, sheet_px: tuple[int, int]) -> None:
    """8.5 x 11 in (PWG 5101.1, na_letter_8.5x11in)."""
    place = placed(a_job(stock_ppi=ppi), 600, 900, "sheet")
    assert place.canvas_px == sheet_px


def test_a_landscape_picture_turns_the_sheet() -> None:
    place = placed(a_job(sheet=LEDGER), 5400, 3600, "sheet")
    assert place.turned
    assert place.canvas_px == (6120, 3960)


def test_a_picture_that_fills_its_room_lies_at_its_margins_to_the_pixel() -> None:
    place = placed(a_job(), 2700, 3600, "sheet")
    box = place.picture_px
    assert (box.left, box.top) == (180, 180)
    assert 3060 - box.left - box.width == 180
    assert 3960 - box.top - box.height == 180


def test_a_smaller_picture_lies_in_the_middle_of_its_room() -> None:
    place = placed(a_job(), 1000, 3600, "sheet")
    assert place.picture_px.left == (3060 - 1000) // 2
    assert place.picture_mm.left == pytest.approx((215.9 - 1000 / 360 * 25.4) / 2)


@pytest.mark.parametrize("size", [(2520, 3600), (3420, 2700)])
def test_the_binding_edge_is_at_the_left_of_the_picture_seen_upright(size: tuple[int, int]) -> None:
    place = placed(a_job(margins=BOUND), *size, "sheet")
    assert place.picture_px.left == 360
    assert place.canvas_px[0] - place.picture_px.left - place.picture_px.width == 180


def test_the_printable_area_leaves_out_what_the_printer_cannot_reach() -> None:
    place = placed(a_job(stock_unprintable_mm=PEARL_EDGES), 2700, 3600, "printable")
    assert place.canvas_px == (round(209.9 / 25.4 * 360), round(264.4 / 25.4 * 360))
    assert place.picture_px.left == round((12.7 - 3) / 25.4 * 360)
    assert place.picture_px.top == round((12.7 - 3) / 25.4 * 360)


def test_a_turned_sheet_has_its_feeding_edge_at_the_left() -> None:
    edges = EdgesMm(top=5, right=3, bottom=12, left=4)
    place = placed(a_job(stock_unprintable_mm=edges), 3600, 2700, "printable")
    assert (place.canvas_mm.left, place.canvas_mm.top) == (5, 3)
    assert place.canvas_mm.right == pytest.approx(279.4 - 12)
    assert place.canvas_mm.bottom == pytest.approx(215.9 - 4)


def test_a_file_of_the_picture_alone_has_the_pictures_pixels() -> None:
    place = placed(a_job(), 2700, 3600, "picture")
    assert place.canvas_px == (2700, 3600)
    assert place.picture_mm.left == pytest.approx(12.7)


def test_a_picture_larger_than_its_room_is_refused_with_both_sizes() -> None:
    with pytest.raises(Refusal, match=r"191\.2 x 254\.0 mm .* room for 190\.5 x 254\.0 mm"):
        placed(a_job(), 2710, 3600, "sheet")


def test_the_printable_area_of_a_stock_that_does_not_state_it_is_refused() -> None:
    with pytest.raises(Refusal, match="does not state its unprintable edges"):
        placed(a_job(), 2700, 3600, "printable")


def test_a_picture_in_the_unprintable_edge_is_refused() -> None:
    job = a_job(margins=EdgesMm(12.7, 12.7, 6, 12.7), stock_unprintable_mm=PEARL_EDGES)
    with pytest.raises(Refusal, match=r"bottom margin of 6 mm lies in the 12 mm"):
        placed(job, 1000, 1500, "sheet")


def test_around_the_picture_there_is_nothing_but_device_white() -> None:
    place = placed(a_job(stock_ppi=90), 675, 900, "sheet")
    sheet = pixels_of(assembled(flat(675, 900, 20000), place))
    assert sheet.shape == (990, 765, 3)
    box = place.picture_px
    inside = sheet[box.top : box.top + box.height, box.left : box.left + box.width]
    assert (inside == 20000).all()
    assert int((sheet == 65535).all(axis=2).sum()) == 990 * 765 - 675 * 900


def test_small_pieces_are_laid_where_they_are_put() -> None:
    place = placed(a_job(stock_ppi=90), 675, 900, "sheet")
    sheet = pixels_of(assembled(flat(675, 900), place, [(flat(10, 5, 0), 50, 975)]))
    assert (sheet[975:980, 50:60] == 0).all()
    assert int((sheet == 0).all(axis=2).sum()) == 50


# what `check` is told, in mm alone


def test_margins_wider_than_the_edges_have_no_faults() -> None:
    assert placement_faults(LETTER, HALF_INCH, PEARL_EDGES) == []
    assert placement_faults(LEDGER, BOUND, None) == []


def test_borderless_is_refused_with_the_reason() -> None:
    (fault,) = placement_faults(LETTER, EdgesMm(0, 0, 0, 0), None)
    assert "borderless" in fault
    assert "enlarging" in fault


def test_a_margin_inside_the_edge_is_a_fault_for_the_way_that_the_sheet_lies() -> None:
    """The trailing edge of 12 mm lies below an upright picture and to the right of one on its side."""
    faults = placement_faults(LETTER, EdgesMm(12.7, 6, 12.7, 12.7), PEARL_EDGES)
    assert faults == [
        "the picture's right margin of 6 mm lies in the 12 mm that the printer cannot reach when the sheet lies on its side; "
        "it needs at least 12 mm"
    ]


def test_a_slug_without_room_is_a_fault_with_the_numbers() -> None:
    narrow = EdgesMm(4, 13, 13, 4)
    (fault,) = placement_faults(LETTER, narrow, PEARL_EDGES)
    assert "the slug needs 2.2 mm" in fault
    assert "0.0 mm" in fault
    assert placement_faults(LETTER, narrow, PEARL_EDGES, slug=False) == []


def test_margins_that_leave_no_picture_are_a_fault() -> None:
    (fault, *_) = placement_faults(
        Sheet("card", SizeMm(100, 150), "custom_card_100x150mm"), EdgesMm(46, 46, 46, 46), None
    )
    assert "leave 8.0 x 58.0 mm of the 100.0 x 150.0 mm sheet" in fault


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("lines", [1, 2, 3])
def test_a_slug_keeps_clear_of_the_picture_and_of_the_edge(turned: bool, lines: int) -> None:
    size = LETTER.size.turned() if turned else LETTER.size
    edges = hard_edges(PEARL_EDGES, turned=turned)
    assert edges is not None
    room = RectMm(20, 25, size.width - 40, size.height - 50)
    block = slug_place(slug_strips(size, edges, room, room), lines)
    assert block is not None
    assert block.height == pytest.approx(slug_height_mm(lines))
    assert block.top >= room.bottom + 1
    assert block.bottom <= size.height - edges.bottom - 0.5


def test_a_slug_without_room_below_stands_above() -> None:
    room = RectMm(20, 25, 170, 279.4 - 25 - 13)
    block = slug_place(slug_strips(LETTER.size, PEARL_EDGES, room, room), 2)
    assert block is not None
    assert block.top >= 3.5
    assert block.bottom <= 24


# the sheet that proves placement


@pytest.mark.parametrize("ppi", [300, 360, 720])
@pytest.mark.parametrize("edges", [None, PEARL_EDGES])
def test_the_corner_marks_stand_at_their_distance_from_the_paper(ppi: float, edges: EdgesMm | None) -> None:
    job = a_job(stock_ppi=ppi, stock_unprintable_mm=edges)
    made = make_placement_sheet(job.stock, LETTER)
    part = edges or EdgesMm()
    inset = made.record["marks_mm"]
    assert inset == (15 if edges else 10)
    width, height = part.inside(LETTER.size).px(ppi)
    assert (made.frame.width, made.frame.height) == (width, height)
    px = ppi / 25.4
    # 10 mm into the arm of the upper left mark: its level line is met once from above
    column = made.frame.pixels.crop(round((inset - part.left + 10) * px), 0, 1, round((inset + 5) * px))
    found = np.flatnonzero(pixels_of(column)[:, 0, 0] == 0)
    found = found[found > 0.5 * inset * px - part.top * px]
    middle_mm = (found.min() + found.max() + 1) / 2 / px + part.top
    assert middle_mm == pytest.approx(inset, abs=25.4 / ppi)


def test_the_rule_is_a_hundred_millimetres_long() -> None:
    made = make_placement_sheet(a_job(stock_ppi=720).stock, LETTER)
    px = 720 / 25.4
    level = round((279.4 / 2 + 58) * px)
    row = pixels_of(made.frame.pixels.crop(0, level - round(4.5 * px), made.frame.width, 1))[0, :, 0]
    ticks = np.flatnonzero(np.diff((row == 0).astype(int)) == 1)
    assert len(ticks) == 11  # so high up only the ticks at whole centimetres are met
    assert (ticks[-1] - ticks[0]) / px == pytest.approx(100, abs=0.05)


def test_the_placement_sheet_has_the_form_of_the_finals_and_says_so() -> None:
    stock = a_job(stock_ppi=90, stock_unprintable_mm=PEARL_EDGES).stock
    assert make_placement_sheet(stock, LETTER).form == "printable"
    assert make_placement_sheet(replace(stock, unprintable_mm=None), LETTER).form == "sheet"


def test_a_sheet_too_small_for_the_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="too small for a rule of 100 mm"):
        make_placement_sheet(a_job().stock, Sheet("4x6", SizeMm(101.6, 152.4), "na_index-4x6_4x6in"))
