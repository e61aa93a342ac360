"""The ICC's profile connection space: XYZ and CIELAB under D50, media-relative and absolute.

Only the arithmetic between XYZ, Lab and the paper's own white. It knows no printer and no file format.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: The PCS illuminant as every ICC profile states it (ICC.1:2001-04, 6.1): CIE D50, Y = 1.
D50_XYZ: Final = np.array([0.9642, 1.0, 0.8249])

_EDGE: Final = (6 / 29) ** 3  # where CIE 15's cube root gives way to its straight part
_SLOPE: Final = (29 / 6) ** 2 / 3


def lab_from_xyz(XYZ: Floats, white: Floats = D50_XYZ) -> Floats:
    """CIELAB of (..., 3) tristimulus values, Y of the perfect diffuser = 1 (CIE 15:2004, 8.2.1).

    >>> lab_from_xyz(D50_XYZ).round(6).tolist()
    [100.0, 0.0, 0.0]
    """
    ratio = np.asarray(XYZ, dtype=np.float64) / white
    f = np.where(ratio > _EDGE, np.cbrt(ratio), _SLOPE * ratio + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def xyz_from_lab(Lab: Floats, white: Floats = D50_XYZ) -> Floats:
    """Tristimulus values of (..., 3) CIELAB values, the inverse of `lab_from_xyz` (CIE 15:2004, annex)."""
    Lab = np.asarray(Lab, dtype=np.float64)
    fy = (Lab[..., 0] + 16) / 116
    f = np.stack([fy + Lab[..., 1] / 500, fy, fy - Lab[..., 2] / 200], axis=-1)
    ratio = np.where(f > 6 / 29, f**3, (f - 4 / 29) / _SLOPE)
    return np.asarray(ratio * white)


def media_relative(Lab: Floats, paper_Lab: Floats) -> Floats:
    """Absolute (..., 3) Lab as ICC's media-relative Lab: XYZ scaled so that the paper becomes the PCS white.

    ICC.1:2001-04, annex A: the scaling is done on X, Y and Z apart.
    """
    return lab_from_xyz(xyz_from_lab(Lab), xyz_from_lab(paper_Lab))


def media_absolute(Lab: Floats, paper_Lab: Floats) -> Floats:
    """Media-relative (..., 3) Lab as it would be measured on this paper; undoes `media_relative`."""
    return lab_from_xyz(xyz_from_lab(Lab, xyz_from_lab(paper_Lab)))
