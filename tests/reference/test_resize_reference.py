"""Resampling against an outside engine: Pillow's resize, in single precision, one channel at a time.

Pillow's filters are separable and stretched with the reduction, as ours are: BICUBIC is cubic convolution (slope -1/2), BILINEAR a triangle. It knows nothing
of light or of 16-bit values; those parts are worked out here in double precision by the formula of IEC 61966-2-1.
"""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image
from tests.steps.sheet_kit import Array, image, pixels_of, scene

from drydown.imaging.resize import resized
from drydown.imaging.working import srgb

pytestmark = pytest.mark.reference
WIDTH, HEIGHT = 600, 400
EDGE = 6  # Pillow renormalises a kernel at the picture's edge, we copy the edge: both are right


def pillow(values: Array, size: tuple[int, int], method: Image.Resampling) -> Array:
    channels = [
        np.asarray(Image.fromarray(values[..., n].astype(np.float32), "F").resize(size, method))
        for n in range(3)
    ]
    return np.stack(channels, axis=2).astype(np.float64)


def inner(values: Array) -> Array:
    return values[EDGE:-EDGE, EDGE:-EDGE]


@pytest.fixture(scope="module")
def source() -> Array:
    return pixels_of(scene(WIDTH, HEIGHT)).astype(np.float64)


@pytest.mark.parametrize("size", [(510, 340), (450, 300), (405, 270)])
def test_a_mild_reduction_is_pillows_bicubic(source: Array, size: tuple[int, int]) -> None:
    ours = pixels_of(resized(image(source), srgb(), *size).pixels).astype(np.float64)
    theirs = pillow(source, size, Image.Resampling.BICUBIC)
    difference = np.abs(inner(ours) - inner(theirs))
    assert difference.mean() < 16  # of 65535: we read at 64ths of a pixel
    assert difference.max() < 160


@pytest.mark.parametrize("size", [(900, 600), (1200, 800), (781, 521)])
def test_an_enlargement_is_pillows_bicubic_held_to_the_pixels_around(
    source: Array, size: tuple[int, int]
) -> None:
    ours = pixels_of(resized(image(source), srgb(), *size).pixels).astype(np.float64)
    theirs = pillow(source, size, Image.Resampling.BICUBIC)
    low, high = held_range(source, size)
    difference = np.abs(inner(ours) - inner(np.clip(theirs, low, high)))
    assert difference.mean() < 16
    assert difference.max() < 400


@pytest.mark.parametrize("size", [(300, 200), (240, 160), (396, 264)])
def test_a_strong_reduction_is_pillows_triangle_in_light(source: Array, size: tuple[int, int]) -> None:
    ours = pixels_of(resized(image(source), srgb(), *size).pixels).astype(np.float64)
    light = pillow(to_light(source / 65535), size, Image.Resampling.BILINEAR)
    theirs = crisp(from_light(np.clip(light, 0, 1)) * 65535)
    difference = np.abs(inner(ours) - inner(theirs))
    assert difference.mean() < 16
    assert difference.max() < 160


def held_range(source: Array, size: tuple[int, int]) -> tuple[Array, Array]:
    """The least and the most of the nine source pixels around each new pixel's centre."""
    x, y = (
        np.round((np.arange(new) + 0.5) * old / new - 0.5).astype(int)
        for new, old in zip(size, (WIDTH, HEIGHT), strict=True)
    )
    padded = np.pad(source, ((1, 1), (1, 1), (0, 0)), mode="edge")
    around = [padded[j : j + HEIGHT, i : i + WIDTH] for j in range(3) for i in range(3)]
    at = np.ix_(y, x)
    return np.min(around, axis=0)[at], np.max(around, axis=0)[at]


def crisp(values: Array) -> Array:
    for axis in (0, 1):
        before, after = np.roll(values, 1, axis), np.roll(values, -1, axis)
        values = 1.1406 * values - 0.0703 * (before + after)
    return values


def to_light(encoded: Array) -> Array:
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def from_light(light: Array) -> Array:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
