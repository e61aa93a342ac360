"""Lines of equal loss over a picture, as closed curves in shares of its width and height."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import contourpy
import numpy as np
from scipy.ndimage import gaussian_filter

from drydown.imaging.pcs import Floats

_SMOOTH: Final = 0.006  #: sigma in shares of the longer side: a line round every leaf would be no line
_LEAST_AREA: Final = 2e-4  #: of the picture; smaller islands are left out


def contours(field: Floats, levels: Sequence[float]) -> list[list[Floats]]:
    """For each level the closed curves, each (N, 2) of x and y in 0..1, that part what lies above it from the rest.

    `field`: (height, width). It is smoothed a little first. Even-odd filling of a level's curves fills what lies above it; the picture's edge closes them.
    """
    height, width = field.shape
    smooth = gaussian_filter(field, max(height, width) * _SMOOTH, mode="nearest")
    edged = np.pad(smooth, 1, constant_values=min(0.0, float(smooth.min())))
    made = contourpy.contour_generator(z=edged, line_type=contourpy.LineType.Separate)
    found = []
    for level in levels:
        curves = [(np.asarray(line) - 0.5) / (width, height) for line in made.lines(level)]
        found.append([np.clip(curve, 0, 1) for curve in curves if _area(curve) >= _LEAST_AREA])
    return found


def _area(curve: Floats) -> float:
    """Of a closed curve (shoelace)."""
    x, y = curve[:, 0], curve[:, 1]
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)
