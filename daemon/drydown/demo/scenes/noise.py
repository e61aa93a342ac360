"""Seeded noise that repeats without a seam, and how to read it at any point and any distance.

Every surface of the demo's pictures (cloud, water, sand, stone) is read from square tiles of filtered noise. The tiles
know nothing of cameras or colours: coordinates are in periods of the tile, values have mean 0 and deviation 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Plane = NDArray[np.float32]
"""One float32 value a pixel, shape (height, width)."""


def random_for(seed: int, name: str) -> np.random.Generator:
    """A generator of its own for each named part of a picture, so that parts can change without moving the others."""
    return np.random.default_rng([seed, *name.encode()])


@cache
def frequencies(size: int) -> tuple[Plane, Plane, Plane]:
    """Cycles a tile across, down and in all, for the half spectrum of a real square tile: shapes (size, size//2+1)."""
    down = np.fft.fftfreq(size, 1 / size).astype(np.float32)[:, None]
    across = np.fft.rfftfreq(size, 1 / size).astype(np.float32)[None, :]
    planes = across + 0 * down, down + 0 * across, np.hypot(across, down)
    for plane in planes:
        plane.flags.writeable = False
    return planes


def filtered_noise(rng: np.random.Generator, amplitude: Plane) -> Plane:
    """White noise whose half spectrum is multiplied by `amplitude`; mean 0, deviation 1, seamless."""
    size = amplitude.shape[0]
    white = scipy.fft.rfft2(rng.standard_normal((size, size), dtype=np.float32))
    field: Plane = scipy.fft.irfft2(white * amplitude, s=(size, size)).astype(np.float32)
    field -= field.mean()
    out: Plane = field / field.std()
    return out


def fractal(
    rng: np.random.Generator,
    size: int,
    *,
    slope: float,
    lowest: float = 1.0,
    highest: float | None = None,
    stretch: float = 1.0,
) -> Plane:
    """Fractal noise: amplitude falls as frequency^-slope between `lowest` and `highest` cycles a tile.

    `stretch` above 1 draws the features out along the rows. Slope 1 is rough like rock, 2 is smooth like cloud.
    """
    across, down, _ = frequencies(size)
    radius = np.maximum(np.hypot(across * np.float32(stretch), down), np.float32(1e-3))
    top = size / 4 if highest is None else highest
    low, high = (np.float32(lowest) / radius) ** 2, (radius / np.float32(top)) ** 2
    amplitude = np.exp(np.float32(-slope) * np.log(radius) - high * high) / (1 + low * low * low)
    amplitude[0, 0] = 0
    return filtered_noise(rng, amplitude)


@dataclass(frozen=True)
class Tile:
    """A seamless square of noise with smaller averaged copies of itself, for reading from far away."""

    levels: tuple[Plane, ...]

    @classmethod
    def of(cls, field: Plane) -> Tile:
        """Average 2 x 2 down to eight pixels; the side of `field` must be a power of two."""
        levels = [np.ascontiguousarray(field)]
        while levels[-1].shape[0] > 8:
            last = levels[-1]
            levels.append(
                np.float32(0.25) * (last[::2, ::2] + last[1::2, ::2] + last[::2, 1::2] + last[1::2, 1::2])
            )
        return cls(tuple(levels))

    @property
    def size(self) -> int:
        """Pixels of the finest level along one side."""
        out: int = self.levels[0].shape[0]
        return out

    def at(self, u: Plane, v: Plane, footprint: float | Plane = 0.0) -> Plane:
        """Values at (`u`, `v`) in periods; `footprint` is the period's part that one pixel covers, a number or one a row.

        A footprint between two levels is blended from both, so that there is no edge where the level changes.
        """
        if isinstance(footprint, float):
            lod = float(np.clip(np.log2(max(footprint * self.size, 1e-6)), 0, len(self.levels) - 1))
            low = int(lod)
            near = _bilinear(self.levels[low], u, v)
            if lod - low < 0.02:
                return near
            return near + np.float32(lod - low) * (_bilinear(self.levels[low + 1], u, v) - near)
        lods = np.clip(np.log2(np.maximum(footprint.ravel() * self.size, 1e-6)), 0, len(self.levels) - 1)
        u, v = grid(u, v)
        out = np.zeros(u.shape, np.float32)
        for level in range(int(lods.min()), int(np.ceil(lods.max())) + 1):
            weight = np.clip(1 - np.abs(lods - level), 0, 1).astype(np.float32)
            rows = np.flatnonzero(weight)
            if rows.size:
                part = slice(int(rows[0]), int(rows[-1]) + 1)
                out[part] += weight[part, None] * _bilinear(self.levels[level], u[part], v[part])
        return out


def _bilinear(level: Plane, u: Plane, v: Plane) -> Plane:
    size = level.shape[0]
    x = u * np.float32(size) - np.float32(0.5)
    y = v * np.float32(size) - np.float32(0.5)
    x0, y0 = np.floor(x), np.floor(y)
    x -= x0
    y -= y0
    left = x0.astype(np.int32) & (size - 1)
    top = (y0.astype(np.int32) & (size - 1)) * size
    right = (left + 1) & (size - 1)
    bottom = (top + size) & (size * size - 1)
    flat = level.ravel()
    upper = flat.take(top + left)
    upper += x * (flat.take(top + right) - upper)
    lower = flat.take(bottom + left)
    lower += x * (flat.take(bottom + right) - lower)
    lower -= upper
    lower *= y
    lower += upper
    out: Plane = lower
    return out


def grid(across: Plane, down: Plane) -> tuple[Plane, Plane]:
    """Both planes in the shape that they have together, without copying."""
    wide, tall = np.broadcast_arrays(across, down)
    return wide, tall


def smoothstep(low: float, high: float, value: Plane) -> Plane:
    """0 below `low`, 1 above `high`, a smooth cubic between."""
    t = np.clip((value - np.float32(low)) * np.float32(1 / (high - low)), 0, 1)
    out: Plane = t * t * (3 - 2 * t)
    return out
