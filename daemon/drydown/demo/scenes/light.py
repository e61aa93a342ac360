"""From linear light to picture codes: a lens's glow and falling edge, a film-like curve, grain, encoding.

Scene light is linear, 0.18 is mid-grey, highlights may run far above 1. Everything happens in strips of rows, because a
whole picture in float32 does not fit in the processor's cache.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from drydown.demo.scenes.noise import Plane

Light = NDArray[np.float32]
"""Linear light, shape (height, width, channels)."""

Encode = Callable[[Light], Light]
"""Display light 0..1 to encoded values 0..1."""

STRIP_ROWS = 48


@dataclass(frozen=True)
class Look:
    """How a scene is developed.

    `exposure` multiplies the light; `contrast` is the curve's slope at mid-grey in log-log; `white` is the scene light
    that becomes paper white; `glow` is the part of the light that the lens scatters; `falloff` is the light lost in the
    corner; `grain` is the deviation in encoded values at mid-grey; `saturation` 1 leaves colours alone; `black` is lifted
    by stray light.
    """

    exposure: float = 1.0
    contrast: float = 1.3
    white: float = 6.0
    glow: float = 0.04
    falloff: float = 0.25
    grain: float = 0.012
    saturation: float = 1.0
    black: float = 0.0


def develop(
    light: Light,
    look: Look,
    encode: Encode,
    *,
    bits: int,
    rng: np.random.Generator,
    matrix: NDArray[np.float64] | None = None,
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Encode `light` to 8 or 16 bits; `matrix` takes developed linear light to other primaries before encoding."""
    height, width, _ = light.shape
    glow, grain = _glow(light), _Grain(rng, width, look.grain)
    out: NDArray[np.uint8] | NDArray[np.uint16] = np.empty(light.shape, np.uint8 if bits == 8 else np.uint16)
    top_code = np.float32(2**bits - 1)
    turn = None if matrix is None else matrix.astype(np.float32).T
    diagonal = (width * width + height * height) / 4
    across = (np.arange(width, dtype=np.float32) - width / 2) ** 2 / np.float32(diagonal)
    for top in range(0, height, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height))
        strip = light[rows] * np.float32(1 - look.glow)
        strip += enlarge(glow, height, width, rows) * np.float32(look.glow)
        down = (np.arange(rows.start, rows.stop, dtype=np.float32) - height / 2) ** 2 / np.float32(diagonal)
        edge = 1 - np.float32(look.falloff) * (down[:, None] + across[None, :]) ** 2
        strip *= (edge * np.float32(look.exposure))[..., None]
        shown = film_curve(_saturate(strip, look.saturation), look.contrast, look.white)
        shown = np.float32(look.black) + np.float32(1 - look.black) * shown
        if turn is not None:
            shown = np.clip(shown @ turn, 0, 1)
        codes = encode(shown)
        codes += grain.over(codes)
        # Half a code of uniform noise before rounding, so that smooth skies do not band in eight bits.
        codes *= top_code
        codes += rng.random(codes.shape, dtype=np.float32) if bits == 8 else np.float32(0.5)
        out[rows] = np.clip(codes, 0, top_code).astype(out.dtype)
    return out


def film_curve(light: Light, contrast: float, white: float) -> Light:
    """A sigmoid in log exposure that keeps 0.18 at 0.18 and brings `white` to 1.

    >>> curve = film_curve(np.array([0.0, 0.18, 6.0], np.float32), 1.3, 6.0)
    >>> [round(float(v), 3) for v in curve]
    [0.0, 0.18, 1.0]
    """
    # y = s / (1 + (m / x)^n): m from 0.18 -> 0.18 and s from white -> 1 are two linear equations in s and m^n.
    scale = (1 - (0.18 / white) ** contrast) / (1 - (0.18 / white) ** contrast / 0.18)
    m_to_n = 0.18**contrast * (scale / 0.18 - 1)
    shadow = np.exp(np.log(np.maximum(light, np.float32(1e-7))) * np.float32(-contrast))
    curve = np.float32(scale) / (1 + np.float32(m_to_n) * shadow)
    out: Light = np.minimum(curve, np.float32(1))
    return out


def srgb_encode(light: Light) -> Light:
    """IEC 61966-2-1: display light to encoded values.

    >>> round(float(srgb_encode(np.array([0.2140], np.float32))[0]), 3)
    0.5
    """
    high = np.exp(np.log(np.maximum(light, np.float32(1e-7))) * np.float32(1 / 2.4))
    return np.where(
        light <= np.float32(0.0031308),
        light * np.float32(12.92),
        high * np.float32(1.055) - np.float32(0.055),
    )


def _saturate(light: Light, amount: float) -> Light:
    if amount == 1 or light.shape[2] == 1:
        return light
    grey = light @ np.array([0.25, 0.65, 0.10], np.float32)
    return grey[..., None] + np.float32(amount) * (light - grey[..., None])


class _Grain:
    """Grain strongest in the mid-tones, mostly the same in all channels, a little softer than one pixel.

    Each strip takes its grain from one sheet at a place drawn by lot: nobody sees that noise comes twice.
    """

    def __init__(self, rng: np.random.Generator, width: int, amount: float) -> None:
        self._rng, self._amount, self._width = rng, amount, width
        sharp = rng.standard_normal((4 * STRIP_ROWS + 1, width + 512), dtype=np.float32)
        soft = sharp[:-1, :-1] * np.float32(0.8)
        self._sheet: Plane = soft + (sharp[1:, :-1] + sharp[:-1, 1:]) * np.float32(0.4)

    def _piece(self, rows: int) -> Plane:
        top = int(self._rng.integers(self._sheet.shape[0] - rows))
        left = int(self._rng.integers(self._sheet.shape[1] - self._width))
        return self._sheet[top : top + rows, left : left + self._width]

    def over(self, codes: Light) -> Light:
        """What to add to a strip of encoded values."""
        soft = self._piece(codes.shape[0])[..., None]
        if codes.shape[2] == 3:
            tint = self._piece(codes.shape[0])[..., None]
            soft = soft + tint * np.array([0.30, -0.10, -0.27], np.float32)
        strength = codes * (1 - codes)
        strength *= np.float32(3 * self._amount)
        strength += np.float32(0.25 * self._amount)
        strength *= soft
        return strength


def enlarge(small: Light, height: int, width: int, rows: slice | None = None) -> Light:
    """`small`, shape (h, w, channels), drawn out by straight lines to (height, width), or to some rows of that."""
    rows = slice(0, height) if rows is None else rows
    down = (np.arange(rows.start, rows.stop, dtype=np.float32) + np.float32(0.5)) * np.float32(
        small.shape[0] / height
    )
    across = (np.arange(width, dtype=np.float32) + np.float32(0.5)) * np.float32(small.shape[1] / width)
    tall = _lerp_axis(small, down - np.float32(0.5), axis=0)
    return _lerp_axis(tall, across - np.float32(0.5), axis=1)


def _lerp_axis(values: Light, where: Plane, axis: int) -> Light:
    where = np.clip(where, 0, values.shape[axis] - 1)
    low = np.minimum(where.astype(np.intp), max(values.shape[axis] - 2, 0))
    part = (where - low).astype(np.float32).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
    first = np.take(values, low, axis=axis)
    second = np.take(values, np.minimum(low + 1, values.shape[axis] - 1), axis=axis)
    second -= first
    second *= part
    second += first
    out: Light = second
    return out


def _glow(light: Light) -> Light:
    """The light that a lens scatters: a tight and a wide blur of the whole picture, kept small."""
    height, width, channels = light.shape
    factor = max(1, min(height, width) // 150)
    rows, columns = height // factor, width // factor
    small = (
        light[: rows * factor, : columns * factor]
        .reshape(rows, factor, columns, factor, channels)
        .mean((1, 3))
    )
    small = np.minimum(small, np.float32(40))
    reach = min(rows, columns)
    tight = ndimage.gaussian_filter(small, (reach * 0.012, reach * 0.012, 0))
    wide = ndimage.gaussian_filter(small, (reach * 0.07, reach * 0.07, 0))
    out: Light = (tight * np.float32(0.6) + wide * np.float32(0.4)).astype(np.float32)
    return out
