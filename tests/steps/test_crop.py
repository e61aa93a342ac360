"""`crop`: the shape of the room, the focus, the loss, and the true ppi."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError
from tests.steps.sheet_kit import LEDGER, a_job, flat, frame_of, image, pixels_of

from drydown.api import EdgesMm, Frame, Sheet, SizeMm
from drydown_steps.crop import OFFER, Crop, crop

BOUND = EdgesMm(top=12.7, right=12.7, bottom=12.7, left=25.4)


def cropped(width: int, height: int, job: object = None, **settings: object) -> Frame:
    return crop(frame_of(flat(width, height)), Crop(**settings), job or a_job())  # type: ignore[arg-type]


def lost(frame: Frame) -> float:
    return float(frame.notes[-1].figures["loss_percent"])


@pytest.mark.parametrize("size", [(6000, 4000), (4000, 6000), (4000, 3000), (3000, 3001), (9000, 2000)])
def test_the_picture_gets_the_shape_of_its_room(size: tuple[int, int]) -> None:
    job = a_job(sheet=LEDGER, margins=BOUND)
    done = cropped(*size, job)
    room = job.picture(turned=size[0] > size[1])
    assert done.width / done.height == pytest.approx(room.width / room.height, rel=1 / min(size))
    assert done.width in size or done.height in size  # only one direction is cropped


def test_the_loss_of_common_shapes_in_a_bound_book() -> None:
    """17 x 11 in less half an inch, bound an inch at the left, leaves 15.5 x 10 in; shares worked out by hand from 1.55, 3:2 and 4:3."""
    job = a_job(sheet=LEDGER, margins=BOUND)
    assert lost(cropped(6000, 4000, job)) == pytest.approx(3.2, abs=0.05)
    assert lost(cropped(4000, 3000, job)) == pytest.approx(14.0, abs=0.05)


def test_above_eight_per_cent_it_warns_with_the_numbers() -> None:
    job = a_job(sheet=LEDGER, margins=BOUND)
    note = cropped(4000, 3000, job).notes[-1]
    assert note.level == "warning"
    assert "14.0 % of the picture is cropped away at the top and bottom" in note.text
    assert "4000 x 2581 of 4000 x 3000 pixels, 393.6 x 254.0 mm" in note.text
    assert cropped(6000, 4000, job).notes[-1].level == "note"
    assert cropped(4000, 3000, job, loss_warning_percent=20).notes[-1].level == "note"


def test_the_ppi_becomes_the_true_one() -> None:
    """A 3:2 picture of 6000 pixels in 10 x 7.5 in of a turned letter sheet: cropped to 4:3, 4000 pixels on 7.5 in."""
    assert cropped(6000, 4000).ppi == pytest.approx(4000 / 7.5, rel=1e-3)
    assert cropped(4000, 6000).ppi == pytest.approx(4000 / 7.5, rel=1e-3)


@pytest.mark.parametrize("size", [(6000, 4000), (4000, 6000), (5000, 5000), (9000, 2000), (2001, 2000)])
@pytest.mark.parametrize(
    "settings", [{}, {"fit": "whole"}, {"aspect": "17:11"}, {"aspect": "1:1"}, {"aspect": "5:1"}]
)
def test_what_comes_out_fits_its_room(size: tuple[int, int], settings: dict[str, str]) -> None:
    job = a_job(margins=BOUND)
    done = cropped(*size, job, **settings)
    room = job.picture(turned=job.turned_for(done.width, done.height))
    assert done.size_mm.width <= room.width + 1e-6
    assert done.size_mm.height <= room.height + 1e-6
    assert max(done.size_mm.width / room.width, done.size_mm.height / room.height) == pytest.approx(1)


def test_whole_crops_nothing() -> None:
    done = cropped(5000, 2000, fit="whole")
    assert (done.width, done.height) == (5000, 2000)
    assert lost(done) == 0
    assert done.size_mm.width == pytest.approx(254)


@pytest.mark.parametrize(("size", "shape"), [((6000, 4000), 17 / 11), ((4000, 6000), 11 / 17)])
@pytest.mark.parametrize("aspect", ["17:11", "11:17", " 8.5 : 5.5 "])
def test_a_given_shape_is_turned_to_suit_the_picture(
    aspect: str, size: tuple[int, int], shape: float
) -> None:
    done = cropped(*size, aspect=aspect)
    assert done.width / done.height == pytest.approx(shape, rel=1e-3)


@pytest.mark.parametrize(
    ("focus_x", "left"), [(0.0, 0), (0.1, 0), (0.2, 200), (0.4, 1400), (0.5, 2000), (0.9, 4000), (1.0, 4000)]
)
def test_the_focus_stays_in_the_middle_as_far_as_the_edges_allow(focus_x: float, left: int) -> None:
    columns = np.repeat(np.repeat(np.arange(6000)[np.newaxis, :, np.newaxis], 20, 0), 3, 2)
    picture = frame_of(image(columns).replicate(1, 100))
    done = crop(picture, Crop(aspect="1:1", focus_x=focus_x), a_job())
    assert done.width == done.height == 2000
    assert pixels_of(done.pixels)[0, 0, 0] == left
    assert done.notes[-1].figures["left_px"] == left


def test_the_focus_moves_up_and_down_where_top_and_bottom_are_cropped() -> None:
    assert cropped(2000, 6000, aspect="1:1", focus_y=0).notes[-1].figures["top_px"] == 0
    assert cropped(2000, 6000, aspect="1:1", focus_y=1).notes[-1].figures["top_px"] == 4000


def test_a_room_that_stands_in_a_lying_sheet_gives_one_answer_to_every_step() -> None:
    """A binding edge of 80 mm on an almost square sheet: the turned room would stand, so the sheet is not turned."""
    sheet = Sheet("8x10", SizeMm(203.2, 254.0), "na_govt-letter_8x10in")
    job = a_job(sheet=sheet, margins=EdgesMm(12.7, 12.7, 12.7, 80))
    done = cropped(6000, 4000, job)
    assert not job.turned_for(done.width, done.height)
    room = job.picture(turned=False)
    assert done.width / done.height == pytest.approx(room.width / room.height, rel=1e-3)


@pytest.mark.parametrize("aspect", ["17x11", "17:0", "wide", ":", "-3:2"])
def test_a_shape_that_cannot_be_read_is_refused_with_an_example(aspect: str) -> None:
    with pytest.raises(ValidationError, match="'17:11'"):
        Crop(aspect=aspect)


def test_it_is_offered_as_a_step_that_resizes() -> None:
    assert OFFER.resizes
    assert OFFER.name == "crop"
