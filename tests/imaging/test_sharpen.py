"""Sharpening for ink: what it may do to grain, halos, hue, edges, and how far it looks. Limits are the project's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips

from drydown.imaging.sharpen import (
    LIGHTEST,
    default_radius_mm,
    reach_px,
    response,
    sharpen,
)

WEIGHTS = (0.43, 0.41, 0.16)
SIGMA_PX = 0.82  # 0.058 mm at 360 ppi
RNG = np.random.default_rng(11)


def image(values: np.ndarray) -> pyvips.Image:
    """(height, width, bands) in 0..1 as a picture."""
    codes = np.rint(np.clip(values, 0, 1) * 65535).astype(np.uint16)
    height, width, bands = codes.shape
    kind = "grey16" if bands == 1 else "rgb16"
    return pyvips.Image.new_from_memory(codes.tobytes(), width, height, bands, "ushort").copy(
        interpretation=kind
    )


def codes(pixels: pyvips.Image) -> np.ndarray:
    raw = np.frombuffer(pixels.write_to_memory(), np.uint16)
    return raw.reshape(pixels.height, pixels.width, pixels.bands).astype(int)


def sharpened(values: np.ndarray, *, sigma_px: float = SIGMA_PX, strength: float = 0.4) -> np.ndarray:
    weights = WEIGHTS if values.shape[2] == 3 else (1.0,)
    return codes(sharpen(image(values), sigma_px=sigma_px, strength=strength, weights=weights)) / 65535


def edge(dark: float, light: float, *, soft_px: float = 0.7) -> np.ndarray:
    """A picture with one upright edge, dark at the left, as soft as resampling leaves it."""
    x = np.arange(60) - 29.5
    ramp = 0.5 + 0.5 * np.tanh(x / (1.2 * soft_px))
    return np.broadcast_to((dark + (light - dark) * ramp)[None, :, None], (20, 60, 3)).copy()


def photograph() -> np.ndarray:
    """Soft shapes, hard edges and grain in three unlike channels."""
    y, x = np.mgrid[0:120, 0:170]
    shapes = 0.5 + 0.3 * np.sin(x / 9) * np.cos(y / 13) + 0.15 * (((x // 23) + (y // 17)) % 2)
    return np.stack([shapes, 0.9 * shapes + 0.05, 1 - shapes], axis=-1) + RNG.normal(0, 0.01, (120, 170, 3))


@pytest.mark.parametrize("sigma_px", [0.82, 1.37, 1.64])  # 360, 600 and 720 ppi at 400 mm
@pytest.mark.parametrize("of", ["one grain in all channels", "grain of its own in each"])
def test_one_per_cent_of_grain_keeps_its_deviation_within_1_3_times_at_strength_0_4(
    sigma_px: float, of: str
) -> None:
    bands = 1 if of.startswith("one") else 3
    grain = np.broadcast_to(RNG.normal(0, 0.01, (300, 300, bands)), (300, 300, 3))
    before = np.rint((0.5 + grain) * 65535)
    after = sharpened(0.5 + grain, sigma_px=sigma_px) * 65535
    ratio = after.std(axis=(0, 1)) / before.std(axis=(0, 1))
    assert (ratio <= 1.3).all()
    assert (ratio > 1.0).all()
    assert np.abs(after.mean(axis=(0, 1)) - before.mean(axis=(0, 1))).max() < 0.001 * 65535


def test_detail_above_the_grain_is_raised() -> None:
    x = np.arange(200)
    waves = np.broadcast_to((0.5 + 0.05 * np.sin(2 * np.pi * x / 4))[None, :, None], (9, 200, 3))
    before, after = waves[4, 20:180, 0], sharpened(waves)[4, 20:180, 0]
    assert 1.2 < np.ptp(after) / np.ptp(before) < 1.7


@pytest.mark.parametrize(("dark", "light"), [(0.3, 0.6), (0.05, 0.95), (0.45, 0.5)])
@pytest.mark.parametrize("strength", [0.4, 1.0])
def test_a_light_halo_is_at_most_half_the_dark_one(dark: float, light: float, strength: float) -> None:
    before = edge(dark, light, soft_px=0.3)
    added = (sharpened(before, strength=strength) - before)[10, :, 0]
    assert added.min() < -0.002
    assert 0.2 * -added.min() <= added.max() <= 0.5 * -added.min() + 1e-4
    assert -added.min() <= 0.1 * strength + 1e-4  # about 4 L* at 0.4


@pytest.mark.parametrize("light", [0.93, 0.97, 0.985, 0.995])
@pytest.mark.parametrize("strength", [0.4, 1.0])
def test_no_halo_reaches_paper_white(light: float, strength: float) -> None:
    before = edge(0.1, light)
    after = sharpened(before, strength=strength)
    lighter = after > before + 1e-4
    assert after.max() < 1.0
    assert (after[lighter] <= LIGHTEST + 1e-4).all()


def test_bare_paper_stays_bare_and_solid_black_solid() -> None:
    after = sharpened(edge(0.0, 1.0, soft_px=0.1), strength=1.0)
    assert (after[:, 34:] == 1.0).all() and (after[:, :26] == 0.0).all()


def test_every_channel_gets_the_same_offset() -> None:
    photo = 0.2 + 0.5 * photograph()  # away from both ends
    moved = np.rint(np.clip(photo, 0, 1) * 65535) - sharpened(photo) * 65535
    assert np.abs(moved - moved[..., :1]).max() < 0.5
    assert np.abs(moved).max() > 500


def test_colour_without_a_step_in_lightness_is_left_alone() -> None:
    x = np.arange(80)[None, :, None] >= 40
    one, other = np.array([0.5, 0.5, 0.5]), np.array([0.6, 0.5 - 0.1 * 0.43 / 0.41, 0.5])
    picture = np.where(np.broadcast_to(x, (10, 80, 1)), other, one)
    assert np.abs(sharpened(picture, strength=1.0) - np.rint(picture * 65535) / 65535).max() <= 1.5 / 65535


def test_a_flat_picture_and_a_soft_ramp_are_left_alone() -> None:
    flat = np.full((30, 40, 3), 0.4)
    assert np.array_equal(codes(image(flat)), sharpened(flat, strength=1.0) * 65535)
    ramp = np.broadcast_to(np.linspace(0.1, 0.9, 400)[None, :, None], (9, 400, 3))
    assert np.abs(sharpened(ramp, strength=1.0) * 65535 - codes(image(ramp))).max() <= 2


def test_the_pictures_edge_is_extended_by_copying() -> None:
    # a bar that runs to the border looks there as it does further in: no frame of light or dark is drawn round the picture
    bars = np.broadcast_to((0.3 + 0.4 * (np.arange(50) // 5 % 2))[None, :, None], (30, 50, 3))
    after = sharpened(bars)
    assert np.array_equal(after, np.broadcast_to(after[15], after.shape))
    assert after[15, 0, 0] == pytest.approx(0.3, abs=1e-4)


def test_strength_is_linear_so_that_half_way_between_two_patches_is_half_way_between_their_numbers() -> None:
    photo = 0.2 + 0.5 * photograph()
    weak, middle, strong = (sharpened(photo, strength=s) * 65535 for s in (0.2, 0.4, 0.6))
    assert np.abs((weak + strong) / 2 - middle).max() <= 1


def test_strength_0_and_a_radius_below_the_raster_change_nothing() -> None:
    pixels = image(photograph())
    assert sharpen(pixels, sigma_px=SIGMA_PX, strength=0, weights=WEIGHTS) is pixels
    faint = codes(sharpen(pixels, sigma_px=0.05, strength=1, weights=WEIGHTS))
    assert np.abs(faint - codes(pixels)).max() <= 1


def test_the_response_spares_grain_limits_edges_and_halves_light() -> None:
    small, large = np.array([-0.005, 0.005]), np.array([-0.25, 0.25])
    assert np.abs(response(small)).max() < 0.0015
    assert response(large) == pytest.approx([-0.1, 0.05], abs=0.002)
    assert (np.diff(response(np.linspace(-0.3, 0.3, 601))) >= 0).all()


@pytest.mark.parametrize("sigma_px", [0.82, 2.0, 6.3])
@pytest.mark.parametrize("box", [(40, 30, 60, 50), (0, 0, 70, 40), (100, 60, 70, 60), (57, 0, 31, 120)])
def test_a_region_cut_with_its_reach_is_the_whole_picture_bit_for_bit(
    sigma_px: float, box: tuple[int, int, int, int]
) -> None:
    pixels, reach = image(photograph()), reach_px(sigma_px)
    left, top, width, height = box
    whole = sharpen(pixels, sigma_px=sigma_px, strength=0.7, weights=WEIGHTS).crop(left, top, width, height)
    x0, y0 = max(0, left - reach), max(0, top - reach)
    x1, y1 = min(170, left + width + reach), min(120, top + height + reach)
    part = pixels.crop(x0, y0, x1 - x0, y1 - y0).copy_memory()
    cut = sharpen(part, sigma_px=sigma_px, strength=0.7, weights=WEIGHTS)
    assert np.array_equal(codes(cut.crop(left - x0, top - y0, width, height)), codes(whole))


def test_the_reach_is_needed_and_not_more() -> None:
    picture = np.full((41, 41, 3), 0.4)
    picture[20, 20] = 0.9
    moved = np.abs(sharpened(picture, sigma_px=2.0, strength=1.0) - picture).max(axis=2) > 1 / 65535
    far = np.abs(np.argwhere(moved) - 20).max()
    assert 2 <= far <= reach_px(2.0)


def test_a_file_read_in_one_pass_stays_readable_in_one_pass(tmp_path: Path) -> None:
    file = tmp_path / "picture.tif"
    image(np.tile(photograph(), (7, 5, 1))).tiffsave(str(file))
    one, two = (
        sharpen(
            pyvips.Image.new_from_file(str(file), access=access), sigma_px=1.5, strength=0.5, weights=WEIGHTS
        )
        for access in ("sequential", "random")
    )
    assert np.array_equal(codes(one), codes(two))


def test_grey_is_its_own_lightness() -> None:
    picture = photograph()[..., :1]
    out = sharpen(image(picture), sigma_px=SIGMA_PX, strength=0.4, weights=(1.0,))
    assert (out.interpretation, out.format, out.bands) == ("grey16", "ushort", 1)
    assert np.abs(codes(out) - codes(image(picture))).max() > 500


def test_weights_that_do_not_fit_the_channels_are_a_defect_of_the_caller() -> None:
    with pytest.raises(TypeError, match="1 weights were given for 3 channels"):
        sharpen(image(photograph()), sigma_px=1, strength=0.4, weights=(1.0,))


def test_half_a_minute_of_arc_at_400_mm_is_0_058_mm() -> None:
    # one minute at 400 mm is 0.1164 mm: 400 tan(1/60 degree)
    assert default_radius_mm(400) == pytest.approx(0.1164 / 2, abs=1e-4)
    assert default_radius_mm(1600) == pytest.approx(4 * default_radius_mm(400))
