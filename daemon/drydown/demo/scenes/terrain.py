"""Height fields seen by a level camera: which ground each pixel shows, exactly, without marching every pixel.

For each column the ground is sampled at growing distances; the running maximum of its angle tells which sample covers
which row. Between two samples the ground is a straight line, on which 1/distance runs evenly with the angle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drydown.demo.scenes.ground import Rows, View
from drydown.demo.scenes.noise import Plane

HeightOf = Callable[[Plane, Plane], Plane]
"""Height in metres above the plane through the view's foot at (right, along) in metres."""


@dataclass(frozen=True)
class Hits:
    """What every column sees; read it in strips of rows."""

    view: View
    depths_m: NDArray[np.float32]
    slopes: Plane
    crest: Plane
    _last: NDArray[np.int32]
    _index: NDArray[np.int16]

    def cover(self, rows: Rows) -> Plane:
        """How much of each pixel is ground: 1 below the skyline, 0 above, the exact part on it."""
        above = np.float32(self.view.horizon_px - 0.5) - rows.astype(np.float32)[:, None]
        return np.clip(self.crest[None, :] * np.float32(self.view.focal_px) - above + np.float32(0.5), 0, 1)

    def along_m(self, rows: Rows) -> Plane:
        """Distance along the view's axis of the ground that each pixel shows (above the skyline: the skyline's)."""
        width = self.view.width_px
        index = np.minimum(self._index[rows[0] : rows[-1] + 1].astype(np.int32), self._last[None, :])
        before = np.maximum(index - 1, 0)
        column = np.arange(width, dtype=np.int32)[None, :]
        flat = self.slopes.ravel()
        low, high = flat.take(before * width + column), flat.take(index * width + column)
        part = (self.view.up(rows) - low) / np.maximum(high - low, np.float32(1e-7))
        part = np.clip(part, 0, 1)
        near, far = 1 / self.depths_m[before], 1 / self.depths_m[index]
        out: Plane = 1 / (near + part * (far - near))
        return out


def trace(view: View, height_of: HeightOf, *, nearest_m: float, farthest_m: float, steps: int) -> Hits:
    """Sample the ground on `steps` distances growing by one ratio and find who covers whom."""
    depths = np.geomspace(nearest_m, farthest_m, steps, dtype=np.float32)
    across = view.across()
    slopes = np.empty((steps, view.width_px), np.float32)
    for first in range(0, steps, 32):
        part = depths[first : first + 32, None]
        slopes[first : first + 32] = (
            height_of(across * part, part + 0 * across) - np.float32(view.eye_m)
        ) / part
    running = np.maximum.accumulate(slopes, axis=0)
    rows = np.float32(view.horizon_px - 0.5) - running * np.float32(view.focal_px)
    bins = np.clip(np.ceil(rows), 0, view.height_px).astype(np.int32)
    column = np.arange(view.width_px, dtype=np.int32)[None, :]
    counts = np.bincount(
        (bins * view.width_px + column).ravel(), minlength=(view.height_px + 1) * view.width_px
    )
    table = counts.reshape(view.height_px + 1, view.width_px).astype(np.int16)
    covered = np.cumsum(table[:0:-1], axis=0, dtype=np.int16)[::-1]
    last = np.argmax(running >= running[-1:], axis=0).astype(np.int32)
    return Hits(view, depths, slopes, _crest(slopes, last), last, np.ascontiguousarray(covered))


def _crest(slopes: Plane, last: NDArray[np.int32]) -> Plane:
    """The skyline of each column: the top of a parabola through the highest sample and its neighbours.

    Without it a crest that runs away from the eye is cut in teeth, one a sample.
    """
    column = np.arange(slopes.shape[1])
    middle = np.clip(last, 1, slopes.shape[0] - 2)
    before, at, after = (slopes[middle + n, column] for n in (-1, 0, 1))
    bend = np.maximum(2 * at - before - after, np.float32(1e-9))
    top = at + np.minimum((after - before) ** 2 / (8 * bend), np.abs(after - before))
    return np.asarray(np.where(last == middle, top, slopes[last, column]), np.float32)
