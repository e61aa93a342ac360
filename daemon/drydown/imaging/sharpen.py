"""Sharpening for ink: what is lost in the paper is added back before, to lightness alone.

With the picture's lightness W = Σ weight · channel and its Gaussian blur G(W), the detail at a pixel is h = W - G(W), and every channel gets

    strength · F(h)        F(h) = limit · tanh(2 · e / limit),  e = h³ / (h² + grain²),  halved where it lightens

in device units of 0..1. So `strength` is linear (half-way between two strengths is half-way between their prints); detail finer than the grain of a
photograph is left alone, hard edges get no more than `limit · strength`, and light halos are half the dark ones. A light halo also stops short
of bare paper, where it would sparkle. A pixel depends on its neighbours up to `reach_px` and on nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import ceil, radians, tan
from typing import Final

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.imaging.icc_lut import Floats

GRAIN: Final = 0.015  # of device: half of it is left out of a difference this large
LIMIT: Final = 0.1  # of device at strength 1, about 10 L*; at 0.04 an equal offset turns hues by 2° at most
GAIN: Final = 2.0
LIGHT_SHARE: Final = 0.5
#: The lightest that a light halo may become, as a share of bare paper: about L* 99, where a printer still lays dots.
LIGHTEST: Final = 0.99
HALF_MINUTE_OF_ARC: Final = tan(radians(0.5 / 60))
_WHITE: Final = 65535
_ZERO: Final = 32768  # where a table keeps "no difference"
_SIGMAS: Final = 3.0  # beyond, a Gaussian has a 400th of its sum left


def default_radius_mm(viewing_mm: float) -> float:
    """Half a minute of arc at the viewing distance.

    >>> round(default_radius_mm(400), 3)
    0.058
    """
    return viewing_mm * HALF_MINUTE_OF_ARC


def reach_px(sigma_px: float) -> int:
    """How many pixels away the last pixel lies that has a say."""
    return ceil(_SIGMAS * sigma_px)


def sharpen(
    pixels: pyvips.Image, *, sigma_px: float, strength: float, weights: Sequence[float]
) -> pyvips.Image:
    """The picture (16 bits, 1 or 3 channels) sharpened; lazy, fit for sequential reading, edges extended by copying.

    `sigma_px`: the Gaussian's standard deviation. `strength`: 0..1. `weights`: each channel's share in lightness, adding up to 1.
    Raises TypeError where the pixels are not 16 bits or the weights do not fit the channels.
    """
    if pixels.format != "ushort" or pixels.bands != len(weights):
        raise TypeError(f"{len(weights)} weights were given for {pixels.bands} channels of {pixels.format}")
    if strength <= 0 or reach_px(sigma_px) < 1:
        return pixels
    # Twice the lightness, so that the table below tells half codes apart; the mask's offset brings "no difference" to 32768 (and rounds).
    lightness = pixels.recomb(pyvips.Image.new_from_array([[2 * weight for weight in weights]]))
    mask = pyvips.Image.new_from_array([_gaussian(sigma_px).tolist()], 1.0, -(_ZERO + 0.5))
    detail = (lightness - lightness.convsep(mask, precision="float")).cast("ushort")
    offset = detail.maplut(_lookup(_response(strength)))
    room = pixels.maplut(_lookup(_headroom()))
    return (pixels + offset.minpair(room)).cast("ushort").copy(interpretation=pixels.interpretation)


def response(detail: Floats) -> Floats:
    """F of the module's formula, for differences of lightness in device units."""
    kept = detail**3 / (detail**2 + GRAIN**2)
    added = LIMIT * np.tanh(GAIN * kept / LIMIT)
    return np.where(added > 0, LIGHT_SHARE * added, added)


def _gaussian(sigma_px: float) -> Floats:
    reach = reach_px(sigma_px)
    mask = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    return np.asarray(mask / mask.sum())


@lru_cache(maxsize=8)
def _response(strength: float) -> npt.NDArray[np.int16]:
    """Offset in codes for every half code of difference from -0.25 to 0.25 of device; beyond, F has long reached its limit."""
    detail = (np.arange(2 * _ZERO) - _ZERO) / (2.0 * _WHITE)
    return np.rint(strength * response(detail) * _WHITE).astype(np.int16)


@lru_cache(maxsize=1)
def _headroom() -> npt.NDArray[np.int16]:
    """By how many codes each code may be lightened."""
    lightest = round(LIGHTEST * _WHITE)
    return np.clip(lightest - np.arange(2 * _ZERO), 0, 2**15 - 1).astype(np.int16)


def _lookup(table: npt.NDArray[np.int16]) -> pyvips.Image:
    return pyvips.Image.new_from_memory(table.tobytes(), len(table), 1, 1, "short").copy(
        interpretation="histogram"
    )
