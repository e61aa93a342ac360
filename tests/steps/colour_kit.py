"""Frames and jobs for the tests of the colour steps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyvips

from drydown.api import EdgesMm, Frame, Job, Sheet, SizeMm, Stock
from drydown.demo.paper import pearl_profile

PPI = 360.0
_KINDS = {1: "grey16", 2: "grey16", 3: "rgb16", 4: "cmyk", 5: "cmyk"}


def a_frame(icc: bytes | None, *, bands: int = 3, size: tuple[int, int] = (60, 40), seed: int = 1) -> Frame:
    """A picture of chance in 16 bits; the chance is the same for the same seed."""
    width, height = size
    values = np.random.default_rng(seed).integers(0, 65536, (height, width, bands), dtype=np.uint16)
    pixels = pyvips.Image.new_from_memory(values.tobytes(), width, height, bands, "ushort")
    return Frame(pixels=pixels.copy(interpretation=_KINDS[bands]), icc=icc, ppi=PPI, source=Path("shore.tif"))


def a_job(folder: Path, **stock: object) -> Job:
    """A job on the demo's pearl, its settings of the stock replaced as named."""
    profile = folder / "pearl.icc"
    profile.write_bytes(pearl_profile())
    letter = Sheet(name="letter", size=SizeMm(215.9, 279.4), pwg="na_letter_8.5x11in")
    plain = Stock(name="pearl", profile=profile, icc=pearl_profile(), ppi=PPI)
    return Job(
        id="j-0001",
        source=Path("shore.tif"),
        scratch=folder,
        stock=replace(plain, **stock),  # type: ignore[arg-type]
        sheet=letter,
        final_sheet=letter,
        margins_mm=EdgesMm(12.7, 12.7, 12.7, 12.7),
    )


def values(frame: Frame) -> np.ndarray:
    """Its pixels as (height, width, bands)."""
    return frame.array(whole=True)
