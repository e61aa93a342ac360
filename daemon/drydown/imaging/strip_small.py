"""A small whole picture, as finished: for choosing a region and for the legend, not for judging.

A render that has a way of its own to make one (`small`) is asked for it, because that costs no second pass over all pixels; else the whole is rendered once.
"""

from __future__ import annotations

import tempfile
from math import ceil
from pathlib import Path

import numpy as np

from drydown.api import Frame, Render
from drydown.imaging.convert import device_to_lab, to_srgb
from drydown.imaging.icc_lut import Floats
from drydown.imaging.pcs import lab_from_xyz, xyz_from_lab
from drydown.imaging.strip_scratch import kept, shrunk
from drydown.imaging.working import srgb

LONG_EDGE_PX = 640  #: enough for 45 mm at 360 ppi
_RULE_PX = 320  # for a region's rule: it weighs places of centimetres


def small(render: Render, scratch: Path) -> Frame:
    """The finished picture with a long edge of at most 640 pixels, in memory."""
    make = getattr(render, "small", None)
    frame: Frame = make(LONG_EDGE_PX) if make is not None else _shrunk(render(), scratch)
    return frame.with_(pixels=frame.pixels.copy_memory())  # asked for more than once


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


def _shrunk(frame: Frame, scratch: Path) -> Frame:
    """Kept on disk first: to shrink a picture that is read in sequence asks for its rows out of order."""
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        times = ceil(max(frame.width, frame.height) / LONG_EDGE_PX)
        pixels = shrunk(kept(frame.pixels, Path(folder)), times)
    return frame.with_(pixels=pixels, ppi=frame.ppi / times)
