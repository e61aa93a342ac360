"""Lines of equal loss over a picture, as closed curves in shares of its width and height."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import contourpy
import numpy as np

from drydown.imaging.pcs import Floats

_SMOOTH: Final = 0.006  #: sigma in shares of the longer side: a line round every leaf would be no line
_LEAST_AREA: Final = 2e-4  #: of the picture; smaller islands are left out


def contours(field: Floats, levels: Sequence[float]) -> list[list[Floats]]:
    """For each level the closed curves, each (N, 2) of x and y in 0..1, that part what lies above it from the rest.

    `field`: (height, width). It is smoothed a little first. Even-odd filling of a level's curves fills what lies above it; the picture's edge closes them.
    """
    height, width = field.shape
    smooth = _smoothed(field, max(height, width) * _SMOOTH)
    edged = np.pad(smooth, 1, constant_values=min(0.0, float(smooth.min())))
    made = contourpy.contour_generator(z=edged, line_type=contourpy.LineType.Separate)
    found = []
    for level in levels:
        curves = [(np.asarray(line) - 0.5) / (width, height) for line in made.lines(level)]
        found.append([np.clip(curve, 0, 1) for curve in curves if _area(curve) >= _LEAST_AREA])
    return found


def _smoothed(field: Floats, sigma: float) -> Floats:
    """By a Gaussian cut off at 4 sigma, the edge's values going on outside; SciPy's would be the same numbers, and a fifth of a second to import."""
    reach = int(4 * sigma + 0.5)
    weights = np.exp(-0.5 / sigma**2 * np.arange(-reach, reach + 1) ** 2)
    weights /= weights.sum()
    for _ in range(2):  # down the columns, and turned over the rows
        height = len(field)
        wide = np.pad(field, [(reach, reach), (0, 0)], mode="edge")
        total = wide[reach : reach + height] * weights[reach]
        for away in range(reach, 0, -1):
            both = wide[reach - away : reach - away + height] + wide[reach + away : reach + away + height]
            total += both * weights[reach - away]
        field = total.T
    return field


def _area(curve: Floats) -> float:
    """Of a closed curve (shoelace)."""
    x, y = curve[:, 0], curve[:, 1]
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)
