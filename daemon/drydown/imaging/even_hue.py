"""A colour space in which a hue stays the same hue while its chroma changes: Oklab (B. Ottosson, 2020), scaled to units of about one CIELAB unit.

Colours that cannot be printed are brought in along lines of one hue. In CIELAB such a line bends for blues: an sRGB blue that loses chroma at a constant CIELAB hue
turns violet. Oklab's hue was fitted to judgements of equal hue (Ebner and Fairchild's, by way of IPT) and keeps blue blue; it has no condition for viewing to set, and is two matrices and
a cube root. XYZ under D50 is taken to the D65 that Oklab is defined for by Bradford's adaptation, as everywhere in a profile.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from drydown.imaging.icc_build import adaptation_to_d50
from drydown.imaging.pcs import Floats, xyz_from_lab

_TO_CONES: Final = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
) @ np.linalg.inv(adaptation_to_d50((0.3127, 0.3290)))
_FROM_ROOTS: Final = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_SCALE: Final = np.array([100.0, 300.0, 300.0])  # lightness 0..100; a full colour's chroma of 0.3 becomes 90


def even_hue(Lab: Floats) -> Floats:
    """CIELAB (N, 3) under D50 as Oklab's lightness, a and b, times 100, 300 and 300."""
    return np.asarray(np.cbrt(xyz_from_lab(Lab) @ _TO_CONES.T) @ _FROM_ROOTS.T * _SCALE)
