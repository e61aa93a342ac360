"""A small whole picture, as finished: for choosing a region and for the legend, not for judging.

A render that has a way of its own to make one (`small`) is asked for it, because that costs no second pass over all pixels; else the whole is rendered once.
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pyvips

from drydown.api import Frame, Render
from drydown.imaging.convert import device_to_lab, to_srgb
from drydown.imaging.icc_lut import Floats
from drydown.imaging.working import srgb

LONG_EDGE_PX = 640  #: enough for 45 mm at 360 ppi, and for a region's rule


def small(render: Render, scratch: Path) -> Frame:
    """The finished picture with a long edge of at most 640 pixels, in memory."""
    make = getattr(render, "small", None)
    frame: Frame = make(LONG_EDGE_PX) if make is not None else _shrunk(render(), scratch)
    return frame.with_(pixels=frame.pixels.copy_memory())


def small_Lab(frame: Frame) -> Floats:
    """The small picture as media-relative CIELAB (height, width, 3), by way of 8-bit sRGB: good to half a unit, and quick."""
    assert frame.icc is not None  # the strip has checked that the frame is in the stock's profile
    seen = to_srgb(frame.pixels, frame.icc, intent="relative", black_point_compensation=False)
    values = np.ndarray((seen.height * seen.width, 3), np.uint8, seen.write_to_memory())
    return device_to_lab(srgb(), values / 255).reshape(seen.height, seen.width, 3)


def _shrunk(frame: Frame, scratch: Path) -> Frame:
    """Evaluated row by row into a scratch file first: to shrink a picture that is read in sequence asks for its rows out of order."""
    pixels = frame.pixels
    times = max(1, math.ceil(max(pixels.width, pixels.height) / LONG_EDGE_PX))
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        path = Path(folder) / "whole.raw"
        pixels.rawsave(str(path))
        whole = pyvips.Image.rawload(
            str(path),
            pixels.width,
            pixels.height,
            pixels.bands,
            format=pixels.format,
            interpretation=pixels.interpretation,
        )
        return frame.with_(pixels=whole.shrink(times, times).copy_memory(), ppi=frame.ppi / times)
