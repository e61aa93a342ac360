"""`flatten`: transparency on paper white, exact at both ends."""

from __future__ import annotations

import numpy as np
import pytest
from tests.steps.sheet_kit import Array, a_job, frame_of, image, pixels_of, scene

from drydown_steps.flatten import OFFER, Flatten, flatten


def flattened(values: Array, kind: str = "") -> Array:
    return pixels_of(flatten(frame_of(image(values, kind=kind)), Flatten(), a_job()).pixels)


def noise(bands: int) -> Array:
    return np.random.default_rng(5).integers(0, 65536, (40, 60, bands), dtype=np.uint16)


@pytest.mark.parametrize(
    ("bands", "kind", "white"), [(2, "grey16", 65535), (4, "rgb16", 65535), (5, "cmyk", 0)]
)
def test_opaque_pixels_keep_their_value_and_invisible_ones_are_exactly_white(
    bands: int, kind: str, white: int
) -> None:
    values = noise(bands)
    values[:10, :, -1] = 65535
    values[10:20, :, -1] = 0
    done = flattened(values, kind)
    assert done.shape == (40, 60, bands - 1)
    assert (done[:10] == values[:10, :, :-1]).all()
    assert (done[10:20] == white).all()


def test_what_is_half_seen_lies_between_picture_and_paper() -> None:
    values = noise(4)
    share = values[..., 3:].astype(float) / 65535
    wanted = values[..., :3] * share + 65535 * (1 - share)
    assert np.abs(flattened(values) - wanted).max() <= 1


def test_a_picture_without_alpha_passes_untouched() -> None:
    frame = frame_of(scene(40, 30))
    assert flatten(frame, Flatten(), a_job()) is frame


def test_four_inks_are_no_alpha() -> None:
    frame = frame_of(image(noise(4), kind="cmyk"))
    assert flatten(frame, Flatten(), a_job()) is frame


def test_it_says_what_it_did_and_keeps_the_size() -> None:
    done = flatten(frame_of(image(noise(4))), Flatten(), a_job())
    assert done.notes[-1].text == "transparent parts were laid on paper white"
    assert not OFFER.resizes
