"""The neutral response of a profile: where its greys lie, one curve a channel.

A printer's grey is not R=G=B. So L* is walked from the profile's black to its white at a* = b* = 0 through device-from-Lab, and what
L* each device value really reaches is read through Lab-from-device. The three curves say, for every code of a channel, which L* a
*true* grey has there: what tone and balance are counted on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from drydown.errors import Hold
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.icc_lut import Floats
from drydown.imaging.monotone import MonotoneCurve

CODES: Final = 65536
MID_L: Final = 50.0
_KNOTS: Final = 33
_ALIKE: Final = (
    5e-4  # channels this close are one: a matrix space, whose columns miss the white by a rounding
)
_MIDDLE_WIDTH: Final = (
    0.04  # of device, either way: half the pitch of a 13-point grid, so that no single cell decides
)
_CHANNELS: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class NeutralResponse:
    """What a profile makes of grey.

    `L_star` (65536, 3): L* on each channel's own curve, from `black_L` at code 0 to `white_L` at code 65535, strictly rising.
    `slope_L` (3): how many L* one unit of device (0..1) of each channel alone moves mid-grey.
    `shares` (3): each channel's share in the lightness of mid-grey when channels move along their own curves; they add up to 1.
    """

    black_L: float
    white_L: float
    L_star: Floats
    slope_L: tuple[float, float, float]
    shares: tuple[float, float, float]

    def place(self, L_star: float) -> float:
        """L* as a share 0..1 of the way from black to white."""
        return (L_star - self.black_L) / (self.white_L - self.black_L)

    @property
    def weights(self) -> tuple[float, float, float]:
        """How lightness is made of R, G and B at mid-grey; they add up to 1. For sharpening."""
        total = sum(self.slope_L)
        red, green, blue = (slope / total for slope in self.slope_L)
        return red, green, blue


def neutral_response(icc: bytes | None, *, channels: int) -> NeutralResponse:
    """The response of the profile that the pixels are in; worked out once a profile.

    Raises `Hold` where the picture has no profile, is not RGB, carries alpha, or its profile has no way back from Lab.
    """
    if icc is None:
        raise Hold(
            "The picture has no profile, so nobody knows where its greys lie. Put the step after convert in the recipe."
        )
    if channels != _CHANNELS:
        what = {1: "is grey", 2: "is grey with transparency"}.get(
            channels, "has transparency or is CMYK" if channels == 4 else f"has {channels} channels"
        )
        raise Hold(
            f"The picture {what}; this step needs the three channels of RGB. Put it after flatten and convert in the recipe."
        )
    try:
        return _response(icc)
    except ValueError as reason:
        raise Hold(
            f"The greys of the picture's profile cannot be found: {reason}. Put the step after convert in the recipe."
        ) from None


@lru_cache(maxsize=8)
def _response(icc: bytes) -> NeutralResponse:
    black_L, white_L = (float(L) for L in device_to_lab(icc, np.array([[0.0] * 3, [1.0] * 3]))[:, 0])
    if not black_L < MID_L < white_L:
        raise ValueError(f"black is L* {black_L:.1f} and white L* {white_L:.1f}, with no mid-grey between")
    wanted = np.linspace(black_L, white_L, _KNOTS)
    device = np.clip(lab_to_device(icc, np.stack([wanted, np.zeros(_KNOTS), np.zeros(_KNOTS)], axis=1)), 0, 1)
    if np.ptp(device, axis=1).max() < _ALIKE:
        device = np.repeat(device.mean(axis=1, keepdims=True), _CHANNELS, axis=1)
    reached = device_to_lab(icc, device)[:, 0]
    codes = np.linspace(0, 1, CODES)
    curves = [_monotone(device[:, k], reached, black_L, white_L) for k in range(_CHANNELS)]
    L_star = np.stack([curve(codes) for curve in curves], axis=1)
    middle = np.array([np.interp(MID_L, L_star[:, k], codes) for k in range(_CHANNELS)])
    slope_L = _slopes(icc, middle)
    shares = slope_L / np.array([float(curve.slope(at)) for curve, at in zip(curves, middle, strict=True)])
    shares = shares / shares.sum()
    return NeutralResponse(black_L, white_L, L_star, _three(slope_L), _three(shares))


def _monotone(device: Floats, reached: Floats, black_L: float, white_L: float) -> MonotoneCurve:
    """L* over device: the knots that rise in both, tied to black at 0 and white at 1 (Fritsch and Carlson 1980)."""
    kept = [(0.0, black_L)]
    for at, L in zip(device[1:-1], reached[1:-1], strict=True):
        if kept[-1][0] < at < 1 and kept[-1][1] < L < white_L:
            kept.append((float(at), float(L)))
    x, y = zip(*kept, (1.0, white_L), strict=True)
    return MonotoneCurve(x, y)


def _slopes(icc: bytes, middle: Floats) -> Floats:
    """dL* over d(device) of each channel alone, about mid-grey."""
    steps = np.eye(_CHANNELS) * _MIDDLE_WIDTH
    above, below = np.clip(middle + steps, 0, 1), np.clip(middle - steps, 0, 1)
    change = device_to_lab(icc, above)[:, 0] - device_to_lab(icc, below)[:, 0]
    return np.asarray(change / np.diagonal(above - below))


def _three(values: Floats) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue
