"""The two views of a print on a screen."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from tests.steps.sheet_kit import flat, image

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.errors import Refusal
from drydown.imaging.convert import device_to_lab, lab_to_device
from drydown.imaging.screen_proof import as_jpeg, outside_percent, proof, screen_of
from drydown.imaging.working import grey_srgb, oprgb, srgb

SRGB = screen_of(None)


def test_the_adapted_view_shows_paper_as_white_and_black_as_black() -> None:
    assert proof(flat(20, 20, 65535), pearl_profile(), SRGB, "adapted").min() == 255
    assert proof(flat(20, 20, 0), matte_profile(), SRGB, "adapted").max() <= 8


@pytest.mark.parametrize("profile", [pearl_profile, matte_profile])
def test_the_table_view_shows_paper_and_black_as_they_measure(profile) -> None:
    for value in (0, 65535):
        absolute = device_to_lab(profile(), np.full((1, 3), value / 65535), intent="absolute")
        wanted = np.round(lab_to_device(srgb(), absolute)[0] * 255)
        shown = proof(flat(20, 20, value), profile(), SRGB, "table").numpy()[10, 10]
        assert np.abs(shown - wanted).max() <= 1, f"{shown} for {wanted}"


def test_a_proof_carries_the_screens_profile() -> None:
    screen = screen_of(oprgb())
    jpeg = as_jpeg(proof(flat(20, 20), pearl_profile(), screen, "table"))
    with Image.open(io.BytesIO(jpeg)) as shown:
        assert shown.info["icc_profile"] == oprgb()
    assert screen.name.startswith("opRGB")


def test_a_wider_screen_shows_what_srgb_cannot() -> None:
    cyan = image(np.full((40, 40, 3), (1000, 40000, 62000), np.uint16))
    assert outside_percent(cyan, pearl_profile(), SRGB) == 100
    assert outside_percent(cyan, pearl_profile(), screen_of(oprgb())) == 0
    assert outside_percent(flat(20, 20, 65535), pearl_profile(), SRGB) == 0


@pytest.mark.parametrize("wrong", [pearl_profile(), grey_srgb(), b"no profile at all"])
def test_a_profile_of_no_rgb_screen_is_refused_with_the_next_move(wrong: bytes) -> None:
    with pytest.raises(Refusal, match=r"studio\.toml"):
        screen_of(wrong)
