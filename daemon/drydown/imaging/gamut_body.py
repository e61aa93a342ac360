"""The body of colours that a device can make, in CIELAB: its volume, what two have in common, and cuts through it.

Held as two maps over a*b*, the lightest and the darkest L* at each place. The skin is what the device makes when all of its channels but two stand at an
end; it is laid out as triangles and these are drawn into the maps. A hollow between two lightnesses of one a*b* is not seen (inks and screens have none).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product
from typing import Final

import contourpy
import numpy as np
from scipy.ndimage import map_coordinates

from drydown.imaging.icc_exact import CHANNELS, device_to_lab
from drydown.imaging.pcs import Floats

REACH: Final = 160  #: a*, b* from -REACH to REACH
_PITCH: Final = 1.0  #: of the maps, in units of a* and b*
_STEPS: Final = 25  #: points along an edge of the skin
_SIDE: Final = int(2 * REACH / _PITCH) + 1
_OUTSIDE: Final = (
    -3.0
)  #: how far outside a place without any colour counts: about the L* that one step of the map spans


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """`top`, `bottom`: (321, 321) of L* over b* (rows) and a* (columns); where there is no colour top is -inf and bottom inf."""

    top: Floats
    bottom: Floats

    @property
    def volume(self) -> float:
        """In cubic units of CIELAB."""
        return _volume(self.top, self.bottom)

    def shared(self, other: Body) -> float:
        """The volume that both hold."""
        return _volume(np.minimum(self.top, other.top), np.maximum(self.bottom, other.bottom))

    def slice_L(self, L: float) -> list[Floats]:
        """The outlines at a lightness: closed curves (N, 2) of a* and b*."""
        depth = np.maximum(np.minimum(self.top - L, L - self.bottom), _OUTSIDE)
        axis = np.linspace(-REACH, REACH, _SIDE)
        made = contourpy.contour_generator(axis, axis, depth, line_type=contourpy.LineType.Separate)
        return [np.asarray(line) for line in made.lines(0.0)]

    def slice_hue(self, hue_deg: float) -> Floats:
        """The outline at a hue: (N, 2) of C* and L*, from the darkest grey outwards and back to the lightest; empty where grey is not in it."""
        C = np.arange(0, REACH, _PITCH)
        angle = np.deg2rad(hue_deg)
        places = np.stack([C * np.sin(angle), C * np.cos(angle)]) / _PITCH + REACH / _PITCH
        top, bottom = _between(self.top, places), _between(self.bottom, places)
        ends = np.flatnonzero(~(top > bottom))
        until = int(ends[0]) if len(ends) else len(C)
        there = np.stack([C[:until], bottom[:until]], axis=1)
        back = np.stack([C[:until], top[:until]], axis=1)[::-1]
        return np.concatenate([there, back])


def _between(field: Floats, places: Floats) -> Floats:
    """The map's values (N,) between its places (2, N) of row and column, by straight lines; at the rim that of the nearest place."""
    nearest = field[tuple(np.rint(places).astype(int))]
    even = map_coordinates(np.where(np.isfinite(field), field, np.nan), places, order=1)
    return np.asarray(np.where(np.isfinite(even), even, nearest))


@lru_cache(maxsize=8)
def body_of(icc: bytes) -> Body:
    """The body of a profile's device, media-relative. Raises ValueError for grey, and for a profile without a way to Lab."""
    channels = CHANNELS.get(icc[16:20], 0)
    if channels < 3:
        raise ValueError("a device of one channel makes a line of greys, and no body of colours")
    top = np.full((_SIDE, _SIDE), -np.inf)
    bottom = np.full((_SIDE, _SIDE), np.inf)
    for Lab in _skin(icc, channels):
        _draw(Lab, top, bottom)
    return Body(top, bottom)


def _skin(icc: bytes, channels: int) -> Iterator[Floats]:
    """Lab (25, 25, 3) of each face: two channels from end to end, the others at an end."""
    ramp = np.linspace(0, 1, _STEPS)
    for pair in combinations(range(channels), 2):
        fixed = [channel for channel in range(channels) if channel not in pair]
        for ends in product((0.0, 1.0), repeat=len(fixed)):
            device = np.zeros((_STEPS, _STEPS, channels))
            device[..., pair[0]], device[..., pair[1]] = np.meshgrid(ramp, ramp, indexing="ij")
            device[..., fixed] = ends
            yield device_to_lab(icc, device.reshape(-1, channels)).reshape(_STEPS, _STEPS, 3)


def _draw(Lab: Floats, top: Floats, bottom: Floats) -> None:
    """Put a face's triangles into the maps: every place of the map that a triangle covers, one offset from its corner at a time for all of them at once."""
    p, q, r, s = (part.reshape(-1, 3) for part in (Lab[:-1, :-1], Lab[1:, :-1], Lab[:-1, 1:], Lab[1:, 1:]))
    corners = np.stack([np.concatenate([p, s]), np.concatenate([q, q]), np.concatenate([r, r])], axis=1)
    ab = (np.clip(corners[..., 1:], -REACH, REACH) + REACH) / _PITCH
    low = np.ceil(ab.min(axis=1)).astype(int)
    span = np.floor(ab.max(axis=1)).astype(int) - low
    (ax, ay), (bx, by), (cx, cy) = (ab[:, k].T for k in range(3))
    area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
    for dx, dy in product(range(span[:, 0].max() + 1), range(span[:, 1].max() + 1)):
        near = np.flatnonzero((span[:, 0] >= dx) & (span[:, 1] >= dy) & (area != 0))
        x, y = low[near, 0] + dx, low[near, 1] + dy
        u = ((x - ax[near]) * (cy[near] - ay[near]) - (cx[near] - ax[near]) * (y - ay[near])) / area[near]
        v = ((bx[near] - ax[near]) * (y - ay[near]) - (x - ax[near]) * (by[near] - ay[near])) / area[near]
        inside = (u >= 0) & (v >= 0) & (u + v <= 1)
        L0, L1, L2 = corners[near, :, 0].T
        L = (L0 + u * (L1 - L0) + v * (L2 - L0))[inside]
        np.maximum.at(top, (y[inside], x[inside]), L)
        np.minimum.at(bottom, (y[inside], x[inside]), L)


def _volume(top: Floats, bottom: Floats) -> float:
    thick = np.where(np.isfinite(top) & np.isfinite(bottom), top - bottom, 0.0)
    return float(np.maximum(thick, 0).sum() * _PITCH**2)
