"""The sea's surface: a tile of wind waves and what a mirror broken by them shows.

Wave spectrum: deep-water waves, height spectrum falling as k^-4 above the wind's longest wave (the shape in Phillips,
J. Fluid Mech. 4 (1958) 426), with a spread about the wind. Fresnel's reflection by Schlick's approximation (Computer
Graphics Forum 13 (1994) 233) with 0.02 at normal incidence, which is water's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.light import Light
from drydown.demo.scenes.noise import Plane, frequencies


@dataclass(frozen=True)
class Waves:
    """Slopes across and along the view, each a banded tile of deviation 1 times `steepness`."""

    across: BandedTile
    along: BandedTile
    period_m: float


def wind_waves(
    rng: np.random.Generator,
    *,
    size: int,
    period_m: float,
    longest_m: float,
    shortest_m: float,
    heading: float,
    spread: float,
    steepness: float,
) -> Waves:
    """Waves between two lengths that run towards `heading` (radians from the view's axis), of root mean square slope `steepness`.

    `spread` 0 is a swell of one direction, 1 is a confused sea.
    """
    across, down, radius = frequencies(size)
    k = np.maximum(radius, np.float32(1e-3))
    long_k, short_k = period_m / longest_m, min(period_m / shortest_m, size / 3)
    along = (across * np.float32(np.sin(heading)) + down * np.float32(np.cos(heading))) / k
    square = k * k
    amplitude = np.exp(np.float32(-0.5 * long_k**2) / square - square * np.float32(short_k**-2.0)) / square
    facing = along * along
    amplitude *= np.float32(spread) + np.float32(1 - spread) * facing * facing
    amplitude[0, 0] = 0
    height = scipy.fft.rfft2(rng.standard_normal((size, size), dtype=np.float32)) * amplitude
    slopes = [
        scipy.fft.irfft2(np.complex64(1j) * f * height, s=(size, size)).astype(np.float32)
        for f in (across, down)
    ]
    norm = np.float32(steepness) / np.sqrt(sum(float((s * s).mean()) for s in slopes))
    return Waves(BandedTile(slopes[0] * norm), BandedTile(slopes[1] * norm), period_m)


def schlick(cosine: Plane, straight_on: float = 0.02) -> Plane:
    """The part of the light that a clear surface reflects at an angle with this cosine."""
    away = 1 - np.clip(cosine, 0, 1)
    square = away * away
    return np.float32(straight_on) + np.float32(1 - straight_on) * square * square * away


@dataclass(frozen=True)
class Lamp:
    """A sun or moon: tangents right of the axis and above the horizon, its colour, and how bright its path is.

    `sharpest` is the variance of slope within a pixel that even near water has (capillary waves, the disc's own size).
    """

    right: float
    up: float
    colour: tuple[float, float, float]
    strength: float
    sharpest: float = 0.0022


class Sea:
    """Water below the horizon that mirrors the picture above it."""

    def __init__(
        self, view: View, upper: Light, waves: tuple[Waves, ...], body: tuple[float, float, float], lamp: Lamp
    ) -> None:
        """`upper` is the finished picture above the horizon; `body` the colour that comes out of the water itself."""
        self.view, self.waves, self.lamp = view, waves, lamp
        self.body = np.array(body, np.float32)
        self.step = max(1, upper.shape[1] // 900)
        rows, columns = upper.shape[0] // self.step, upper.shape[1] // self.step
        cut = upper[upper.shape[0] - rows * self.step :, : columns * self.step]
        small = cut.reshape(rows, self.step, columns, self.step, 3).mean((1, 3))
        soft = (4.0 * columns / 900, 1.5 * columns / 900, 0)
        self.mirror: Light = ndimage.gaussian_filter(np.minimum(small, np.float32(12)), soft)

    def rows(self, rows: Rows) -> Light:
        """The sea's light over some rows below the horizon."""
        view = self.view
        sx = np.zeros((rows.size, view.width_px), np.float32)
        sy = np.zeros_like(sx)
        lost = np.zeros(rows.size)
        for n, waves in enumerate(self.waves):
            for total, tile in ((sx, waves.across), (sy, waves.along)):
                slope, kept = tile.read(view, rows, waves.period_m, (0.13 + 0.41 * n, 0.29 * n))
                total += slope
                lost += tile.variance * (1 - kept)
        rough = np.sqrt(lost).astype(np.float32)[:, None]
        down, across = -view.up(rows), view.across()
        # The facets that a low eye sees lean towards it; those lost to the filter do so on the average.
        lean = sy - rough * np.float32(0.45)
        norm = 1 / np.sqrt(1 + sx * sx + lean * lean)
        dot = (-sx * across - lean - down) * norm
        mirror_x = across + 2 * dot * norm * sx
        mirror_y = np.maximum(1 + 2 * dot * norm * lean, np.float32(0.2))
        mirror_z = np.abs(-down - 2 * dot * norm)
        fresnel = schlick(np.abs(dot) / np.sqrt(1 + across * across + down * down))
        shown = self._seen(mirror_x / mirror_y, mirror_z / mirror_y)
        light = self.body + fresnel[..., None] * (shown - self.body)
        light += self._glitter(sx, sy, rough, down, across, fresnel)
        return light

    def _seen(self, right: Plane, up: Plane) -> Light:
        height, width, _ = self.mirror.shape
        focal = self.view.focal_px / self.step
        x = np.clip(right * np.float32(focal) + np.float32((width - 1) / 2), 0, width - 1.001)
        y = np.clip(np.float32(height - 0.5) - up * np.float32(focal), 0, height - 1.001)
        x0, y0 = x.astype(np.int32), y.astype(np.int32)
        fx, fy = (x - x0)[..., None], (y - y0)[..., None]
        flat = self.mirror.reshape(-1, 3)
        at = y0 * width + x0
        upper = flat[at] + fx * (flat[at + 1] - flat[at])
        at += width
        lower = flat[at] + fx * (flat[at + 1] - flat[at])
        out: Light = upper + fy * (lower - upper)
        return out

    def _glitter(
        self, sx: Plane, sy: Plane, rough: Plane, down: Plane, across: Plane, fresnel: Plane
    ) -> Light:
        """The lamp on the facets: how near each pixel's slope comes to the one that mirrors it to the eye."""
        to_eye = 1 / np.sqrt(1 + across * across + down * down)
        lamp = self.lamp
        to_lamp = np.float32(1 / np.sqrt(1 + lamp.right**2 + lamp.up**2))
        # The slope that mirrors the lamp is that of the vector half-way between the two directions.
        half_z = np.float32(lamp.up) * to_lamp + down * to_eye
        need_x = (across * to_eye - np.float32(lamp.right) * to_lamp) / half_z
        need_y = (to_eye - to_lamp) / half_z
        spread = rough * rough + np.float32(lamp.sharpest)
        near = ((sx - need_x) ** 2 + (sy - need_y) ** 2) / (2 * spread)
        amount = np.exp(-near) / spread * fresnel * np.float32(lamp.strength)
        out: Light = amount[..., None] * np.array(lamp.colour, np.float32)
        return out
