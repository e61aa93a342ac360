"""Where the nodes of a Lab table stand, and the input curves that put them there.

An even table wastes itself on colours that no print has. Here lightness has a node exactly on the print's black and on
paper white, and a* and b* stand closer about the greys.
"""

from dataclasses import dataclass

import numpy as np

from drydown.imaging.pcs import Floats

#: So many entries put one on L* = 100, which the 16-bit Lab of version 2 writes as 0xFF00 = 256/257 of full scale.
_ENTRIES = 257 * 8 + 1
#: How much closer a* and b* stand in the middle than at the ends; spacing about 5.6 there for 33 points.
_GATHER = 1.5


def encode_lab(Lab: Floats) -> Floats:
    """Lab (..., 3) as 0..1 of version 2's 16-bit encoding (ICC.1:2001-04, tables 81 and 82): L* 100 = 0xFF00, a* 0 = 0x8000."""
    return np.asarray((Lab * np.array([652.8, 256, 256]) + np.array([0, 32768, 32768])) / 65535)


def decode_lab(code: Floats) -> Floats:
    """Lab (..., 3) of 0..1 codes; undoes `encode_lab`."""
    return np.asarray((code * 65535 - np.array([0, 32768, 32768])) / np.array([652.8, 256, 256]))


@dataclass(frozen=True, slots=True)
class LabGrid:
    """Node places along L*, a* and b*, as many along each."""

    L_star: Floats  # (points,), rising, last = 100
    ab: Floats  # (points,), rising, middle = 0

    def nodes(self) -> Floats:
        """Lab (points**3, 3), b* changing fastest."""
        return np.stack(np.meshgrid(self.L_star, self.ab, self.ab, indexing="ij"), axis=-1).reshape(-1, 3)

    def input_curves(self) -> Floats:
        """Curves (3, entries) from the encoded Lab to the place along the grid, 0..1."""
        units = decode_lab(np.repeat(np.linspace(0, 1, _ENTRIES)[:, None], 3, axis=1))
        place = np.linspace(0, 1, len(self.ab))
        return np.stack(
            [np.interp(units[:, 0], self.L_star, place)]
            + [np.interp(units[:, channel], self.ab, place) for channel in (1, 2)]
        )


def even_grid(points: int) -> LabGrid:
    """Even in lightness from 0 to 100: for a table that uses all of it."""
    return LabGrid(np.linspace(0, 100, points), _gathered(points))


def grid_from_black(black_L_star: float, points: int) -> LabGrid:
    """With a node on the print's own black, and only as many below it as their share of the scale asks for."""
    below = max(1, round(black_L_star * (points - 1) / 200))
    upper = np.linspace(black_L_star, 100, points - below)
    lower = np.linspace(0, black_L_star, below, endpoint=False)
    return LabGrid(np.concatenate([lower, upper]), _gathered(points))


def _gathered(points: int) -> Floats:
    return np.asarray(128 * np.sinh(_GATHER * np.linspace(-1, 1, points)) / np.sinh(_GATHER))
