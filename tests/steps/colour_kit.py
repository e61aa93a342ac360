"""Frames and jobs for the tests of the colour steps."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from drydown.api import Frame
from drydown.testing import a_job as a_job
from drydown.testing import image
from drydown.testing import values as values

PPI = 360.0


def a_frame(icc: bytes | None, *, bands: int = 3, size: tuple[int, int] = (60, 40), seed: int = 1) -> Frame:
    """A picture of chance in 16 bits, four channels being CMYK; the chance is the same for the same seed. Without `icc` it is untagged."""
    width, height = size
    codes = np.random.default_rng(seed).integers(0, 65536, (height, width, bands), dtype=np.uint16)
    pixels = image(codes, kind="cmyk" if bands == 4 else "")
    return Frame(pixels=pixels, icc=icc, ppi=PPI, source=Path("shore.tif"))
