"""A level plane (sea, sand, a deck of cloud) seen from an eye above or below it, filtered so that it never shimmers.

The plane's noise is laid along the view, so each picture row sees one straight band of the tile. That makes an exact
filter cheap: running sums give the mean of any band in two readings, however thin the band is drawn near the horizon.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drydown.demo.scenes.noise import Plane

Rows = NDArray[np.intp]
"""Numbers of picture rows that follow each other, from the top."""

_NEVER_M = 1e9


@dataclass(frozen=True)
class View:
    """A level camera: `focal_px` in pixels, `horizon_px` rows from the top, `eye_m` above the plane."""

    width_px: int
    height_px: int
    focal_px: float
    horizon_px: float
    eye_m: float

    def across(self) -> Plane:
        """Tangent of the angle to the right of the view's axis for each column, shape (1, width)."""
        centre = (self.width_px - 1) / 2
        columns = (np.arange(self.width_px, dtype=np.float32) - np.float32(centre)) / np.float32(
            self.focal_px
        )
        return columns[None, :]

    def up(self, rows: Rows) -> Plane:
        """Tangent of the angle above the horizon for the centres of `rows`, shape (rows, 1)."""
        tangent = (self.horizon_px - 0.5 - rows.astype(np.float64)) / self.focal_px
        return tangent.astype(np.float32)[:, None]

    def distance_m(self, row_edges: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance along the view at which the plane meets each row edge (edge n lies above row n)."""
        down = (row_edges - self.horizon_px) / self.focal_px
        return self.eye_m / np.maximum(np.abs(down), self.eye_m / _NEVER_M)


class BandedTile:
    """A tile ready to be read in the bands that a view's rows see of it."""

    def __init__(self, field: Plane) -> None:
        """Keep the running sums down the tile; `field` is square, its side a power of two."""
        self.size = field.shape[0]
        self._mean: Plane = field.mean(axis=0)
        # Sums of what differs from each column's mean close up at the seam, so a place is all that is needed of it.
        self._sums = np.zeros((self.size + 1, self.size), np.float32)
        for row, line in enumerate(
            field - self._mean
        ):  # one row at a time is far faster than a cumsum down columns
            np.add(self._sums[row], line, out=self._sums[row + 1])
        self.variance = float(np.vdot(field, field)) / field.size - float(self._mean.mean()) ** 2

    def _sum_to(self, v: NDArray[np.float64]) -> Plane:
        texel = (v % 1.0) * self.size
        whole = np.minimum(texel.astype(np.intp), self.size - 1)
        part = (texel - whole).astype(np.float32)[:, None]
        low = self._sums[whole]
        out: Plane = low + part * (self._sums[whole + 1] - low)
        return out

    def bands(self, v_near: NDArray[np.float64], v_far: NDArray[np.float64]) -> Plane:
        """The tile's mean between two lines for each row, shape (rows, size); a band is never under one pixel of it."""
        spread = np.maximum(np.abs(v_far - v_near), 1 / self.size)
        middle = (v_near + v_far) / 2
        between = self._sum_to(middle + spread / 2) - self._sum_to(middle - spread / 2)
        out: Plane = between / (spread * self.size).astype(np.float32)[:, None] + self._mean
        return out

    def read(
        self, view: View, rows: Rows, period_m: float, shift: tuple[float, float] = (0.0, 0.0)
    ) -> tuple[Plane, NDArray[np.float64]]:
        """Values over `rows` (all on one side of the horizon) and the part of the variance that each row keeps."""
        edges = np.append(rows, rows[-1] + 1).astype(np.float64)
        far = view.distance_m(edges)
        v = np.minimum(far, 4e5) / period_m + shift[1]
        bands = self.bands(v[1:], v[:-1])
        kept = bands.var(axis=1).astype(np.float64) / max(self.variance, 1e-12)
        middle = view.distance_m(rows.astype(np.float64) + 0.5)
        per_pixel = (np.minimum(middle, 4e5) / view.focal_px / period_m * self.size)[:, None]
        left = -(view.width_px - 1) / 2 * per_pixel + shift[0] * self.size
        return _across(bands, left, per_pixel, view.width_px), np.minimum(kept, 1.0)


def _across(bands: Plane, left: NDArray[np.float64], per_pixel: NDArray[np.float64], width: int) -> Plane:
    """Read each band from texel `left` on, one pixel every `per_pixel` texels, averaging where that is above one.

    Where one pixel covers many texels float32 no longer tells neighbours apart, but their mean does not need it.
    """
    size = bands.shape[1]
    out = np.empty((bands.shape[0], width), np.float32)
    columns = np.arange(width + 1, dtype=np.float32)
    start, step = (left % size).astype(np.float32), per_pixel.astype(np.float32)
    fine = np.flatnonzero(per_pixel[:, 0] <= 1)
    if fine.size:
        out[fine] = _lerp(bands[fine], start[fine] + step[fine] * columns[:-1] - np.float32(0.5))
    coarse = np.flatnonzero(per_pixel[:, 0] > 1)
    if coarse.size:
        mean = bands[coarse].mean(axis=1, keepdims=True)
        level = np.cumsum(bands[coarse] - mean, axis=1)
        edges = start[coarse] + step[coarse] * (columns - np.float32(0.5))
        running = _lerp(level, edges - np.float32(1))
        out[coarse] = np.diff(running, axis=1) / step[coarse] + mean
    return out


def _lerp(lines: Plane, where: Plane) -> Plane:
    """Values of seamless lines, shape (rows, size), at float texels, shape (rows, any)."""
    size = lines.shape[1]
    whole = np.floor(where)
    where -= whole
    index = whole.astype(np.int32) & (size - 1)
    base = (np.arange(lines.shape[0], dtype=np.int32) * size)[:, None]
    flat = lines.ravel()
    first = flat.take(base + index)
    second = flat.take(base + ((index + 1) & (size - 1)))
    second -= first
    second *= where
    second += first
    out: Plane = second
    return out
