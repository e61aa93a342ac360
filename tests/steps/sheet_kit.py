"""Pictures, jobs and renders for the tests of sheets and of the steps that shape a picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyvips

from drydown import testing
from drydown.api import Box, EdgesMm, Frame, Job, Sheet, SizeMm, Stock, Value
from drydown.demo.paper import pearl_profile
from drydown.testing import image as image

LETTER = Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in")
LEDGER = Sheet("11x17", SizeMm(279.4, 431.8), "na_ledger_11x17in")
HALF_INCH = EdgesMm(12.7, 12.7, 12.7, 12.7)

Array = np.ndarray[Any, np.dtype[Any]]


def flat(width: int, height: int, value: int | tuple[int, ...] = 30000) -> pyvips.Image:
    """One colour, RGB unless told otherwise."""
    colour = (value, value, value) if isinstance(value, int) else value
    return testing.flat(1, 1, colour).embed(0, 0, width, height, extend="copy")


@cache
def scene(width: int, height: int, *, seed: int = 3) -> pyvips.Image:
    """Soft shapes with a little grain, RGB."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    soft = 0.5 + 0.3 * np.sin(x / 37) * np.cos(y / 23)
    colours = np.stack([soft, soft * 0.9, soft * 0.7 + 0.1], axis=2)
    grain = np.random.default_rng(seed).normal(0, 0.01, colours.shape)
    return image(np.round(np.clip(colours + grain, 0, 1) * 65535))


def pixels_of(made: pyvips.Image) -> Array:
    """(height, width, bands) of a picture, in its own type."""
    kind = {"ushort": np.uint16, "uchar": np.uint8, "float": np.float32}[made.format]
    return np.ndarray((made.height, made.width, made.bands), kind, made.write_to_memory())


def frame_of(made: pyvips.Image, *, ppi: float = 300.0, icc: bytes | None = None) -> Frame:
    """A frame in sRGB unless another profile is given."""
    return testing.a_frame(made, icc=icc, ppi=ppi)


def a_job(*, sheet: Sheet = LETTER, margins: EdgesMm = HALF_INCH, **changes: Any) -> Job:
    """A job on the demo's pearl; `changes` to fields of the job, or with `stock_` before the name to the stock's."""
    stock = Stock(
        name="pearl",
        profile=Path("pearl.icc"),
        icc=pearl_profile(),
        ppi=360,
        ticket={"media_type": "photographic-satin", "quality": "high", "black_ink": "photo"},
    )
    of_stock = {
        key.removeprefix("stock_"): changes.pop(key) for key in [*changes] if key.startswith("stock_")
    }
    job = Job(
        id="k7f3a2c9",
        source=Path("shore.tif"),
        scratch=Path("scratch"),
        stock=replace(stock, **of_stock),
        sheet=sheet,
        final_sheet=sheet,
        margins_mm=margins,
        recipe="shoreline",
        made="2026-05-14T10:31:07+02:00",
    )
    return replace(job, **changes)


class OneRender:
    """A render that yields one finished frame, whatever it is asked."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.size = (frame.width, frame.height)

    def __call__(self, overrides: Mapping[str, Value] = {}, /, *, region: Box | None = None) -> Frame:
        return self.frame
