"""`resample`: exact pixels, and how coarse a picture may be for the distance that it is seen from."""

from __future__ import annotations

import pytest
from tests.steps.sheet_kit import LEDGER, a_job, flat, frame_of, image, pixels_of

from drydown.api import EdgesMm, Frame, Hold
from drydown_steps.crop import Crop, crop
from drydown_steps.resample import OFFER, Resample, least_ppi, resample

BOUND = EdgesMm(top=12.7, right=12.7, bottom=12.7, left=25.4)


def resampled(frame: Frame, job: object = None, **settings: object) -> Frame:
    return resample(frame, Resample(**settings), job or a_job())  # type: ignore[arg-type]


@pytest.mark.parametrize("ppi", [300, 360, 600, 720])
@pytest.mark.parametrize("size", [(3000, 2000), (2000, 3000), (1801, 1333), (2999, 3000)])
def test_a_cropped_picture_gets_the_rooms_own_pixels(size: tuple[int, int], ppi: float) -> None:
    """11 x 17 in less half an inch and an inch for binding: 9.5 x 16 and 15.5 x 10 in."""
    job = a_job(sheet=LEDGER, margins=BOUND, stock_ppi=ppi, anyway=True)
    done = resampled(crop(frame_of(flat(*size)), Crop(), job), job)
    inches = (15.5, 10) if size[0] > size[1] else (9.5, 16)
    assert (done.width, done.height) == tuple(round(inch * ppi) for inch in inches)
    assert done.ppi == ppi
    assert done.pixels.format == "ushort"


def test_a_whole_picture_gets_the_rooms_pixels_where_it_touches_it() -> None:
    job = a_job(anyway=True)
    done = resampled(crop(frame_of(flat(3000, 1000)), Crop(fit="whole"), job), job)
    assert (done.width, done.height) == (3600, 1200)


def test_a_picture_of_the_right_size_is_not_touched() -> None:
    frame = frame_of(flat(3600, 2700), ppi=360)
    done = resampled(frame)
    assert done.pixels is frame.pixels
    assert done.notes[-1].figures["how"] == "untouched"


@pytest.mark.parametrize(
    ("source", "how"),
    [((5600, 4200), "reduced in light"), ((4000, 3000), "reduced"), ((2700, 2025), "enlarged")],
)
def test_the_record_says_how_it_was_done(source: tuple[int, int], how: str) -> None:
    frame = frame_of(flat(*source), ppi=source[0] / 10)
    note = resampled(frame).notes[-1]
    assert note.figures["how"] == how
    assert f"{source[0]} x {source[1]} to 3600 x 2700 pixels" in note.text
    assert note.figures["ratio"] == pytest.approx(source[0] / 3600, abs=1e-4)


def test_one_pixel_a_minute_of_arc() -> None:
    """25.4 mm over the tangent of 1/60 degree: 218 ppi at 400 mm, 291 at 300, 87 at a metre."""
    assert [round(least_ppi(mm)) for mm in (400, 300, 1000)] == [218, 291, 87]


def at(ppi: float) -> Frame:
    """A picture of 10 x 7.5 in at so many ppi."""
    return frame_of(flat(round(10 * ppi), round(7.5 * ppi)), ppi=ppi)


def test_enough_pixels_are_passed_over_in_silence() -> None:
    assert [note.level for note in resampled(at(219)).notes] == ["note"]


def test_too_few_pixels_are_a_warning_with_the_numbers() -> None:
    note = resampled(at(180)).notes[-1]
    assert note.level == "warning"
    assert "180 ppi at 254 x 190 mm, and 218 are asked for (one pixel a minute of arc at 400 mm)" in note.text
    assert "the largest good size is 209 x 157 mm" in note.text


def test_far_too_few_pixels_hold_the_job_with_the_largest_good_size() -> None:
    """Below 0.6 of 218 ppi."""
    with pytest.raises(Hold, match=r"largest good size is 151 x 113 mm.*retry --anyway"):
        resampled(at(130))
    assert resampled(at(132)).notes[-1].level == "warning"


def test_a_person_may_let_a_coarse_picture_through() -> None:
    done = resampled(at(60), a_job(anyway=True))
    assert (done.width, done.height) == (3600, 2700)
    assert done.notes[-1].level == "warning"


def test_a_print_for_the_wall_needs_fewer_pixels() -> None:
    assert [note.level for note in resampled(at(90), a_job(viewing_mm=1000)).notes] == ["note"]


def test_a_least_ppi_may_be_set() -> None:
    with pytest.raises(Hold, match=r"400 are asked for \(as set\)"):
        resampled(at(219), min_source_ppi=400)
    assert len(resampled(at(100), min_source_ppi=100).notes) == 1


def test_alpha_and_profile_stay_what_they_are() -> None:
    frame = frame_of(image(pixels_of(flat(400, 300, (9, 9, 9, 65535)))), ppi=400 / 10)
    done = resampled(frame, a_job(anyway=True))
    assert done.pixels.bands == 4
    assert done.pixels.hasalpha()
    assert done.icc == frame.icc


def test_it_is_offered_as_a_step_that_resizes() -> None:
    assert OFFER.resizes
