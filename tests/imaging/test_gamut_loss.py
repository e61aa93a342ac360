"""The loss map: nothing lost reads as nothing, what is lost is told with its kind, and the advice follows the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import pyvips
from tests.steps.sheet_kit import image, scene

from drydown.api import Intent
from drydown.demo.paper import matte_profile, pearl_profile
from drydown.imaging.black_point import black_L, compensated
from drydown.imaging.contours import contours
from drydown.imaging.convert import convert
from drydown.imaging.gamut_loss import LossMap, figures, loss_map, own_error, recommendation
from drydown.imaging.working import oprgb, srgb


def lost(
    source: pyvips.Image, icc: bytes, printer: bytes, intent: Intent = "relative", *, compensate: bool = True
) -> LossMap:
    made = convert(source, icc, printer, intent=intent, black_point_compensation=compensate).copy_memory()
    return loss_map(source, icc, made, printer, intent=intent, black_point_compensation=compensate)


def flat(*rgb: int) -> pyvips.Image:
    return image(np.full((30, 40, 3), rgb, np.uint16))


def test_greys_lose_nothing_but_the_profiles_own_error() -> None:
    ramp = np.repeat(np.linspace(0, 65535, 400).astype(np.uint16)[None, :, None], 3, axis=2)
    found = lost(image(np.repeat(ramp, 20, axis=0)), srgb(), pearl_profile())
    assert found.used.beyond[3.0] == 0
    assert found.used.mean < 0.5
    assert found.used.range_before[0] == pytest.approx(found.used.range_after[0], abs=1)


def test_without_compensation_the_shadows_count_as_lost() -> None:
    dark = flat(3000, 3000, 3000)
    assert lost(dark, srgb(), matte_profile()).used.mean < 2
    without = lost(dark, srgb(), matte_profile(), compensate=False).used
    assert without.mean > 3
    assert without.lightness.shift is not None and without.lightness.shift > 5


def test_a_green_beyond_the_paper_loses_chroma_everywhere() -> None:
    found = lost(flat(2000, 62000, 3000), oprgb(), pearl_profile())
    assert found.used.beyond == {1.0: 100, 3.0: 100, 6.0: 100}
    assert found.used.chroma.shift is not None and found.used.chroma.shift < -20
    assert found.used.chroma.p95 > found.used.hue.p95


def test_half_a_lost_picture_is_half() -> None:
    values = np.full((40, 80, 3), 30000, np.uint16)
    values[:, :40] = (2000, 62000, 3000)
    found = lost(image(values), oprgb(), pearl_profile())
    assert found.used.beyond[3.0] == pytest.approx(50, abs=1)
    assert found.dE00.shape == (40, 80)
    lines = contours(found.dE00, (3.0,))[0]
    assert len(lines) == 1
    assert lines[0][:, 0].max() == pytest.approx(0.5, abs=0.02)


def test_the_sample_tells_what_all_pixels_tell() -> None:
    source = scene(900, 600, seed=4)
    made = convert(source, oprgb(), pearl_profile(), intent="relative", black_point_compensation=True)
    few, all_of_them = (
        loss_map(
            source,
            oprgb(),
            made,
            pearl_profile(),
            intent="relative",
            black_point_compensation=True,
            sample_px=n,
        )
        for n in (25_000, 540_000)
    )
    assert few.sampled < 26_000 < all_of_them.sampled
    assert few.used.beyond[3.0] == pytest.approx(all_of_them.used.beyond[3.0], abs=1)
    assert few.used.mean == pytest.approx(all_of_them.used.mean, abs=0.1)


def test_the_split_of_a_difference_is_that_of_cie_lab() -> None:
    wished = np.array([[50.0, 30.0, 0.0]])
    printed = np.array([[47.0, 0.0, 20.0]])
    found = figures(wished, printed, np.array([9.0]), intent="relative", compensated=False)
    assert found.lightness.shift == pytest.approx(-3)
    assert found.chroma.shift == pytest.approx(-10)
    assert found.hue.mean == pytest.approx(np.sqrt(30**2 + 20**2 - 10**2))


def test_the_other_intent_is_told_with_its_figures_and_the_advice_needs_both_reasons() -> None:
    found = lost(flat(2000, 62000, 3000), oprgb(), pearl_profile())
    assert [loss.intent for loss in found.others] == ["perceptual"]
    assert found.tables_differ
    assert 'intent = "perceptual"' in recommendation(found)
    assert "does the same" in recommendation(replace(found, tables_differ=False))
    little = replace(found, used=replace(found.used, beyond={1.0: 9.0, 3.0: 5.0, 6.0: 0.0}))
    assert recommendation(little).startswith("Stay with media-relative colorimetric: 5.0 %")


def test_a_job_by_perceptual_is_advised_the_other_way_round() -> None:
    grey = lost(flat(30000, 30000, 30000), srgb(), pearl_profile(), "perceptual")
    assert grey.used.intent == "perceptual"
    assert recommendation(grey).startswith("Media-relative colorimetric would do")


def test_the_profiles_own_error_is_small_and_stated() -> None:
    mean, p95 = own_error(pearl_profile())
    assert 0 < mean < 0.25 and mean < p95 < 0.7


def test_compensation_keeps_white_and_brings_black_to_black() -> None:
    ends = compensated(np.array([[0.0, 0, 0], [100.0, 0, 0]]), from_L=0, to_L=black_L(matte_profile()))
    assert ends[0, 0] == pytest.approx(black_L(matte_profile()))
    assert ends[1] == pytest.approx([100, 0, 0])


def test_pictures_of_different_sizes_are_no_pair() -> None:
    with pytest.raises(ValueError, match="40 x 30 pixels were converted to 20 x 30"):
        loss_map(
            flat(0, 0, 0),
            srgb(),
            flat(0, 0, 0).crop(0, 0, 20, 30),
            pearl_profile(),
            intent="relative",
            black_point_compensation=True,
        )
