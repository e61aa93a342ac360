"""`final`: the finished sheet, its slug, and what it refuses to put on paper."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.steps.sheet_kit import LEDGER, OneRender, a_job, flat, frame_of, image, pixels_of, scene

from drydown.api import EdgesMm, Finished, Frame, Job, Refusal
from drydown.demo.paper import pearl_profile
from drydown.imaging.convert import device_to_lab
from drydown.imaging.slug import slug_parts
from drydown.imaging.working import srgb
from drydown_steps.final import OFFER, Final, final

PEARL_EDGES = EdgesMm(top=3, right=3, bottom=3, left=3)


def ready(width: int = 2700, height: int = 3600, **changes: Any) -> Frame:
    return frame_of(flat(width, height), ppi=360, icc=pearl_profile()).with_(**changes)


def made(job: Job | None = None, frame: Frame | None = None, **settings: Any) -> Finished:
    return final(OneRender(frame or ready()), Final(**settings), job or a_job())


def whole_picture() -> Frame:
    """As large as the sheet's room, and not the same at any two places next to each other."""
    pixels = scene(900, 620).replicate(3, 6).crop(0, 0, 2700, 3600)
    return frame_of(pixels, ppi=360, icc=pearl_profile())


def slug_of(finished: Finished) -> np.ndarray[Any, np.dtype[Any]]:
    """What is inked outside the picture, as a mask of the sheet."""
    sheet = pixels_of(finished.frame.pixels)
    inked = (sheet[..., 0] & sheet[..., 1] & sheet[..., 2]) < 65535
    box = finished.picture
    assert box is not None
    inked[box.top : box.top + box.height, box.left : box.left + box.width] = False
    return inked


def test_the_whole_sheet_is_the_default_where_the_stock_states_no_edges() -> None:
    done = made()
    assert done.form == "sheet"
    assert (done.frame.width, done.frame.height) == (3060, 3960)


def test_the_printable_area_is_the_default_where_it_does() -> None:
    done = made(a_job(stock_unprintable_mm=PEARL_EDGES))
    assert done.form == "printable"
    assert (done.frame.width, done.frame.height) == (2975, 3875)
    assert made(a_job(stock_unprintable_mm=PEARL_EDGES), form="sheet").frame.width == 3060


def test_the_picture_alone_is_the_picture_bit_for_bit() -> None:
    frame = whole_picture()
    done = made(frame=frame, form="picture")
    assert np.array_equal(pixels_of(done.frame.pixels), pixels_of(frame.pixels))
    assert "no margin for the slug" in done.frame.notes[-1].text


def test_the_picture_is_on_the_sheet_bit_for_bit() -> None:
    frame = whole_picture()
    done = made(frame=frame)
    box = done.picture
    assert box is not None
    inside = done.frame.pixels.crop(box.left, box.top, box.width, box.height)
    assert np.array_equal(pixels_of(inside), pixels_of(frame.pixels))


def test_a_landscape_picture_turns_the_sheet() -> None:
    done = made(a_job(sheet=LEDGER), ready(5760, 3600))
    assert done.turned
    assert (done.frame.width, done.frame.height) == (6120, 3960)


def test_bits_and_compression_are_handed_on() -> None:
    done = made(bits=8, compression="lzw")
    assert (done.bits, done.compression) == (8, "lzw")


# the slug


@pytest.mark.parametrize("size", [(2700, 3600), (3600, 2700)])
@pytest.mark.parametrize("form", ["sheet", "printable"])
def test_the_slug_stands_in_reach_of_the_printer_and_clear_of_the_picture(
    size: tuple[int, int], form: str
) -> None:
    job = a_job(stock_unprintable_mm=EdgesMm(top=3, right=4, bottom=5, left=3))
    done = made(job, ready(*size), form=form)
    rows, columns = np.nonzero(slug_of(done))
    px = 360 / 25.4
    part = done.record["file_mm"], done.record["sheet_mm"]
    box = done.picture
    assert box is not None
    below = 4 if done.turned else 5  # a turned sheet has its right edge at the top, its left one below
    below = 3 if done.turned else below
    off = 0 if form == "sheet" else (part[1][1] - part[0][1]) - below
    assert rows.min() >= box.top + box.height + 0.9 * px
    assert rows.max() / px + off <= part[1][1] - below - 0.4
    assert columns.min() >= box.left
    assert columns.max() <= box.left + box.width


def test_the_slug_is_a_neutral_dark_grey_on_this_paper() -> None:
    done = made()
    sheet = pixels_of(done.frame.pixels)
    lettering = sheet[slug_of(done)]
    darkest = lettering[lettering.astype(int).sum(axis=1).argmin()]
    L_star, a_star, b_star = device_to_lab(pearl_profile(), darkest[np.newaxis] / 65535)[0]
    assert L_star == pytest.approx(35, abs=1.5)
    assert abs(a_star) < 1.5
    assert abs(b_star) < 1.5


def test_the_slug_can_be_off() -> None:
    done = made(slug=False)
    assert not slug_of(done).any()
    assert "slug" not in done.record


def test_the_slug_says_what_was_set() -> None:
    job = a_job(
        edition="3/25",
        copies=2,
        facts={
            "lot": "0412",
            "conversion": "relative, black point compensated",
            "settings": "tone-lift 3.0 L*; sharpen 0.4",
        },
    )
    assert slug_parts(job) == [
        "job k7f3a2c9",
        "2026-05-14",
        "shoreline on pearl, lot 0412",
        "media photographic-satin",
        "quality high",
        "photo black",
        "360 ppi",
        "edition 3/25",
        "2 copies",
        "relative, black point compensated",
        "tone-lift 3.0 L*",
        "sharpen 0.4",
    ]


def test_what_the_stock_does_not_state_is_not_made_up() -> None:
    parts = slug_parts(a_job(stock_ticket={}))
    assert {"media not stated", "quality not stated", "not stated black"} <= set(parts)


def test_the_pictures_name_stays_out_of_the_slug_unless_asked() -> None:
    assert "shore" not in slug_parts(a_job())
    assert "shore" in slug_parts(a_job(), name=True)
    assert any("shore  ·" in text or text.endswith("shore") for text in made(slug_name=True).record["slug"])


def test_a_margin_too_narrow_leaves_the_slug_off_with_a_warning() -> None:
    job = a_job(margins=EdgesMm(4, 4, 4, 4), stock_unprintable_mm=PEARL_EDGES)
    done = made(job, ready(2900, 3840))
    assert not slug_of(done).any()
    assert done.frame.notes[-1].level == "warning"
    assert "the slug was left off: the slug needs 2.2 mm" in done.frame.notes[-1].text


def test_what_the_slug_has_no_room_for_is_noted() -> None:
    job = a_job(facts={"settings": "; ".join(f"a step of some length {n}" for n in range(40))})
    note = made(job).frame.notes[-1]
    assert "had no room for: " in note.text
    assert "a step of some length 39" in note.text


# what is refused


def test_a_picture_in_another_profile_is_refused() -> None:
    with pytest.raises(Refusal, match="Put convert into the recipe"):
        made(frame=ready(icc=srgb()))
    with pytest.raises(Refusal, match="Put convert into the recipe"):
        made(frame=ready(icc=None))


def test_a_picture_at_another_resolution_is_refused() -> None:
    with pytest.raises(Refusal, match=r"412\.0 ppi.*Put resample into the recipe"):
        made(frame=ready(ppi=412))


def test_a_picture_with_transparent_parts_is_refused() -> None:
    clear = image(np.full((30, 20, 4), 40000))
    with pytest.raises(Refusal, match="Put flatten into the recipe"):
        made(frame=ready(pixels=clear))


def test_the_record_says_where_the_picture_lies() -> None:
    record = made().record
    assert record["sheet_mm"] == [215.9, 279.4]
    assert record["picture_mm"] == [12.7, 12.7, 190.5, 254.0]
    assert record["picture_px"] == [180, 180, 2700, 3600]
    assert record["slug"][0].startswith("job k7f3a2c9")


def test_it_is_offered_as_a_sheet_maker() -> None:
    assert OFFER.name == "final"
    assert OFFER.passes == "one"
