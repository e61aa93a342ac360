"""From the wide primaries that a scene is computed in to those that its file is stored in."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drydown.demo.scenes.light import Light
from drydown.imaging.icc_build import adaptation_to_d50
from drydown.imaging.working import D50_XY, D65_XY

Matrix = NDArray[np.float64]

#: Rec. ITU-R BT.2020-2, table 3: red, green, blue.
BT2020_XY = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
#: ISO 22028-2: red, green, blue of ROMM RGB, whose white is D50.
ROMM_XY = ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001))
#: IEC 61966-2-1.
SRGB_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))


def to_xyz_d50(primaries: tuple[tuple[float, float], ...], white: tuple[float, float]) -> Matrix:
    """Linear RGB to XYZ under D50 (Y of white = 1), shape (3, 3): SMPTE RP 177's derivation, Bradford's adaptation."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    white_xyz = np.array([white[0] / white[1], 1.0, (1 - white[0] - white[1]) / white[1]])
    return np.asarray(adaptation_to_d50(white) @ (columns * np.linalg.solve(columns, white_xyz)))


@cache
def bt2020_to_romm() -> Matrix:
    """Linear light of BT.2020 (white D65) to linear light of ROMM RGB (white D50)."""
    return np.asarray(np.linalg.solve(to_xyz_d50(ROMM_XY, D50_XY), to_xyz_d50(BT2020_XY, D65_XY)))


@cache
def romm_to_srgb() -> Matrix:
    """Linear light of ROMM RGB to linear light of sRGB; what sRGB cannot hold comes out below 0 or above 1."""
    return np.asarray(np.linalg.solve(to_xyz_d50(SRGB_XY, D65_XY), to_xyz_d50(ROMM_XY, D50_XY)))


def romm_encode(light: Light) -> Light:
    """Linear light 0..1 to ROMM's values 0..1: exponent 1/1.8 with a straight start of slope 16 (ISO 22028-2, 4.3).

    >>> [round(float(v), 4) for v in romm_encode(np.array([0.0, 0.001, 0.18, 1.0], np.float32))]
    [0.0, 0.016, 0.3857, 1.0]
    """
    curve = np.exp(np.log(np.maximum(light, np.float32(1e-9))) * np.float32(1 / 1.8))
    return np.where(light < np.float32(2**-9), light * np.float32(16), curve).astype(np.float32)
