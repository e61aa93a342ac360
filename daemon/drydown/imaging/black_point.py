"""Black point compensation on single colours, and where a profile's black lies.

The arithmetic is that of ISO 18619: one straight line in XYZ that keeps white and brings one black to the other.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from drydown.imaging.icc import inspect
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.pcs import Floats, lab_from_xyz, xyz_from_lab


@lru_cache(maxsize=16)
def black_L(icc: bytes) -> float:
    """Media-relative L* of the darkest neutral that conversions reach: what device-from-Lab makes of L* 0, read back.

    Of a profile without a way back the device's own black: no light, or all ink. Raises ValueError where it has no way to Lab either.
    """
    info = inspect(icc)
    if info.intents_back:
        darkest = np.clip(lab_to_device(icc, np.zeros((1, 3))), 0, 1)
    else:
        darkest = np.full((1, info.channels), 1.0 if info.colour_space == "CMYK" else 0.0)
    return float(np.clip(device_to_lab(icc, darkest)[0, 0], 0, 50))


def compensated(Lab: Floats, *, from_L: float, to_L: float) -> Floats:
    """CIELAB (..., 3) with black at `from_L` brought to `to_L`, white kept (ISO 18619, 6; both blacks neutral).

    >>> compensated(np.array([[3.0, 0.0, 0.0], [100.0, 0.0, 0.0]]), from_L=3, to_L=10).round(6).tolist()
    [[10.0, 0.0, 0.0], [100.0, 0.0, 0.0]]
    """
    white, have, want = (xyz_from_lab(np.array([L, 0.0, 0.0])) for L in (100.0, from_L, to_L))
    scale = (white - want) / (white - have)
    return lab_from_xyz((xyz_from_lab(Lab) - have) * scale + want)
