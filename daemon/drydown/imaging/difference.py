"""How far two colours lie apart, as an eye counts it: CIEDE2000, in plain numpy so that a whole picture costs little."""

from __future__ import annotations

import numpy as np

from drydown.imaging.pcs import Floats

_25_7 = 25.0**7
_TURN = 2 * np.pi


def ciede2000(first: Floats, second: Floats) -> Floats:
    """ΔE00 (...) of two arrays (..., 3) of CIELAB that broadcast against each other, kL = kC = kH = 1.

    CIE 142-2001, in the form of Sharma, Wu and Dalal, Color Research and Application 30 (2005), equations 2 to 22.
    """
    L1, a1, b1 = np.moveaxis(np.asarray(first, dtype=np.float64), -1, 0)
    L2, a2, b2 = np.moveaxis(np.asarray(second, dtype=np.float64), -1, 0)
    chroma7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1 + 0.5 * (1 - np.sqrt(chroma7 / (chroma7 + _25_7)))
    a1, a2 = stretch * a1, stretch * a2
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.arctan2(b1, a1) % _TURN, np.arctan2(b2, a2) % _TURN
    dh = h2 - h1 - _TURN * np.rint((h2 - h1) / _TURN)
    dL, dC, dH = L2 - L1, C2 - C1, 2 * np.sqrt(C1 * C2) * np.sin(dh / 2)
    # half-way on the shorter way round; where one of the two has no hue, the other's counts
    h = np.where(C1 * C2 == 0, h1 + h2, h1 + dh / 2)
    L, C = (L1 + L2) / 2, (C1 + C2) / 2
    T = (
        1
        - 0.17 * np.cos(h - np.pi / 6)
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.pi / 30)
        - 0.20 * np.cos(4 * h - np.deg2rad(63))
    )
    from_50 = (L - 50) ** 2
    SL = 1 + 0.015 * from_50 / np.sqrt(20 + from_50)
    SC, SH = 1 + 0.045 * C, 1 + 0.015 * C * T
    blue = (np.rad2deg(h) % 360 - 275) / 25
    turn = np.deg2rad(60) * np.exp(-(blue**2))
    RT = -2 * np.sqrt(C**7 / (C**7 + _25_7)) * np.sin(turn)
    kL, kC, kH = dL / SL, dC / SC, dH / SH
    return np.asarray(np.sqrt(np.maximum(kL**2 + kC**2 + kH**2 + RT * kC * kH, 0)))
