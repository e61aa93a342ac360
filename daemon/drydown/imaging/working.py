"""Working spaces computed from their published primaries: nothing to ship, nothing to licence.

Each function gives the bytes of an ICC profile and computes them once. The descriptions name the standard.
"""

from functools import cache
from typing import Final

import numpy as np

from drydown.imaging.icc_build import grey_profile, matrix_profile
from drydown.imaging.pcs import Floats

#: CIE D65 as IEC 61966-2-1 and IEC 61966-2-5 give it, and D50 as ISO 22028-2 does.
D65_XY: Final = (0.3127, 0.3290)
D50_XY: Final = (0.3457, 0.3585)


@cache
def srgb() -> bytes:
    """IEC 61966-2-1: what untagged pictures and screens mostly are."""
    return matrix_profile(
        description="sRGB, IEC 61966-2-1",
        primaries_xy=((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
        white_xy=D65_XY,
        transfer=srgb_to_light,
    )


@cache
def oprgb() -> bytes:
    """IEC 61966-2-5 (opRGB): a wider green, gamma 2.2 (563/256)."""
    return matrix_profile(
        description="opRGB, IEC 61966-2-5",
        primaries_xy=((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
        white_xy=D65_XY,
        transfer=lambda encoded: encoded ** (563 / 256),
    )


@cache
def wide_gamut() -> bytes:
    """ISO 22028-2 (ROMM RGB): every colour that a photograph or a print can hold, and more; for 16 bits only."""
    return matrix_profile(
        description="ROMM RGB, ISO 22028-2",
        primaries_xy=((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)),
        white_xy=D50_XY,
        transfer=romm_to_light,
    )


@cache
def grey_srgb() -> bytes:
    """Grey with the curve of IEC 61966-2-1, so that grey and R=G=B of `srgb` are the same tone."""
    return grey_profile(description="Grey, curve of IEC 61966-2-1", transfer=srgb_to_light, white_xy=D65_XY)


def srgb_to_light(encoded: Floats) -> Floats:
    """Light 0..1 of sRGB values 0..1 (IEC 61966-2-1, 5.2).

    >>> round(float(srgb_to_light(np.array(0.5))), 6)
    0.214041
    """
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def romm_to_light(encoded: Floats) -> Floats:
    """Light 0..1 of ROMM values 0..1: exponent 1.8 with a straight start of slope 1/16 (ISO 22028-2, 4.3)."""
    return np.where(encoded < 16 * 2**-9, encoded / 16, encoded**1.8)
