"""The step `sharpen`. What it may do to a picture is in tests/imaging/test_sharpen.py."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from colour_kit import PPI, a_frame, a_job, values
from pydantic import ValidationError

from drydown.api import Hold, Job
from drydown.demo.paper import pearl_profile
from drydown.imaging.neutral import neutral_response
from drydown.imaging.sharpen import sharpen as by_hand
from drydown.imaging.working import grey_srgb, wide_gamut
from drydown_steps.sharpen import OFFER, Sharpen, sharpen


def reach_px(settings: Sharpen, job: Job) -> int:
    assert callable(OFFER.reach)
    return math.ceil(OFFER.reach(settings, job) / 25.4 * job.stock.ppi)


def test_without_settings_strength_is_the_stocks_and_radius_half_a_minute_of_arc(tmp_path: Path) -> None:
    frame, job = a_frame(pearl_profile()), a_job(tmp_path, sharpen_strength=0.55)
    sigma_px = 400 * math.tan(math.radians(0.5 / 60)) / 25.4 * PPI
    assert sigma_px == pytest.approx(0.82, abs=0.01)
    weights = neutral_response(pearl_profile(), channels=3).weights
    wanted = by_hand(frame.pixels, sigma_px=sigma_px, strength=0.55, weights=weights)
    assert np.array_equal(values(sharpen(frame, Sharpen(), job)), values(frame.with_(pixels=wanted)))


def test_a_print_seen_from_farther_away_is_sharpened_more_coarsely(tmp_path: Path) -> None:
    near = a_job(tmp_path)
    far = replace(near, viewing_mm=1600)
    note_near, note_far = (sharpen(a_frame(pearl_profile()), Sharpen(), job).notes[-1] for job in (near, far))
    assert note_far.figures["radius_mm"] == pytest.approx(4 * float(note_near.figures["radius_mm"]))


def test_a_radius_in_mm_is_the_same_on_paper_at_every_ppi(tmp_path: Path) -> None:
    job = a_job(tmp_path)
    for ppi in (300.0, 720.0):
        note = sharpen(a_frame(pearl_profile()).with_(ppi=ppi), Sharpen(radius_mm=0.1), job).notes[-1]
        assert note.figures["sigma_px"] == pytest.approx(0.1 / 25.4 * ppi)


def test_strength_0_leaves_the_picture_alone_and_asks_no_profile(tmp_path: Path) -> None:
    frame = a_frame(None, bands=4)
    assert sharpen(frame, Sharpen(strength=0), a_job(tmp_path)) is frame


def test_a_radius_too_fine_for_the_raster_is_said_and_not_pretended(tmp_path: Path) -> None:
    frame = a_frame(pearl_profile())
    out = sharpen(frame, Sharpen(radius_mm=0.01), a_job(tmp_path))
    assert out.pixels is frame.pixels
    assert "too fine for the raster" in out.notes[-1].text


@pytest.mark.parametrize(("icc", "bands"), [(wide_gamut(), 3), (grey_srgb(), 1), (None, 1)])
def test_it_works_before_convert_and_on_grey_too(tmp_path: Path, icc: bytes | None, bands: int) -> None:
    frame = a_frame(icc, bands=bands)
    out = sharpen(frame, Sharpen(), a_job(tmp_path))
    assert out.pixels.bands == bands
    assert not np.array_equal(values(out), values(frame))


@pytest.mark.parametrize(("icc", "bands"), [(None, 3), (wide_gamut(), 4)])
def test_a_picture_whose_lightness_is_not_known_is_held(
    tmp_path: Path, icc: bytes | None, bands: int
) -> None:
    with pytest.raises(Hold, match="convert in the recipe"):
        sharpen(a_frame(icc, bands=bands), Sharpen(), a_job(tmp_path))


@pytest.mark.parametrize("settings", [Sharpen(), Sharpen(radius_mm=0.2), Sharpen(radius_mm=0.5, strength=1)])
def test_the_reach_it_states_makes_a_region_equal_to_the_whole_bit_for_bit(
    tmp_path: Path, settings: Sharpen
) -> None:
    job = a_job(tmp_path)
    frame, reach = a_frame(pearl_profile(), size=(150, 130)), reach_px(settings, job)
    left, top, width, height = 50, 45, 40, 30
    whole = values(sharpen(frame, settings, job))[top : top + height, left : left + width]
    part = frame.with_(
        pixels=frame.pixels.crop(left - reach, top - reach, width + 2 * reach, height + 2 * reach)
    )
    cut = values(sharpen(part, settings, job))[reach : reach + height, reach : reach + width]
    assert np.array_equal(cut, whole)
    assert reach <= 24


@pytest.mark.parametrize(
    "wrong", [{"strength": 1.1}, {"strength": -0.1}, {"radius_mm": 0}, {"radius_mm": 0.6}, {"radius_px": 1}]
)
def test_limits_and_misspelt_keys_are_faults_of_the_recipe(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        Sharpen(**wrong)


def test_the_offer_reads_the_picture_in_one_pass() -> None:
    assert (OFFER.name, OFFER.passes, OFFER.resizes) == ("sharpen", "one", False)
