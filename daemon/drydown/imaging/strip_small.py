"""A small whole picture, as finished: for choosing a region and for the legend, not for judging.

`Render.small` makes it without a second pass over all pixels; here it is only looked at.
"""

from __future__ import annotations

from math import ceil

import numpy as np

from drydown.api import Frame
from drydown.imaging.convert import device_to_lab, to_srgb
from drydown.imaging.icc_lut import Floats
from drydown.imaging.pcs import lab_from_xyz, xyz_from_lab
from drydown.imaging.working import srgb

LONG_EDGE_PX = 640  #: enough for 45 mm at 360 ppi
_RULE_PX = 320  # for a region's rule: it weighs places of centimetres


def small_Lab(frame: Frame) -> Floats:
    """The small picture, smaller still, as media-relative CIELAB (height, width, 3), by way of 8-bit sRGB: good to half a unit, and quick."""
    assert frame.icc is not None  # the strip has seen to it that the frame is in the stock's profile
    less = max(1, ceil(max(frame.width, frame.height) / _RULE_PX))
    smaller = frame.pixels.shrink(less, less).cast("ushort")
    seen = to_srgb(smaller, frame.icc, intent="relative", black_point_compensation=False)
    codes = np.ndarray((seen.height, seen.width, 3), np.uint8, seen.write_to_memory())
    return lab_from_xyz(_linear()[codes] @ xyz_from_lab(device_to_lab(srgb(), np.eye(3))))


def _linear() -> Floats:
    """Light of each 8-bit code of sRGB (IEC 61966-2-1, 5.2)."""
    value = np.arange(256) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
