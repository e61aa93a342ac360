"""Tone as it can be drawn: how lightness is spread over a picture, and what steps that work on a print do to its greys."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pyvips

from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.pcs import Floats

BARS: Final = 50
_GREYS: Final = 65
_LOOKED_AT: Final = 25_000


def lightness_spread(L: Floats) -> tuple[float, ...]:
    """Per cent of the values by L*, in 50 bars from 0 to 100; what lies outside counts in the outermost bar."""
    counts, _ = np.histogram(np.clip(L, 0, 100), bins=BARS, range=(0, 100))
    return tuple(float(count) for count in counts / max(1, len(L)) * 100)


def lightness_of(pixels: pyvips.Image, icc: bytes) -> Floats:
    """Media-relative L* (N,) of some 25,000 pixels of a 16-bit picture, evenly over it."""
    apart = max(1, int(np.sqrt(pixels.width * pixels.height / _LOOKED_AT)))
    few = pixels.subsample(min(apart, pixels.width), min(apart, pixels.height))
    values = np.ndarray((few.width * few.height, few.bands), np.uint16, few.write_to_memory())
    return device_to_lab(icc, values / 65535)[:, 0]


def greys_through(icc: bytes, steps: Callable[[pyvips.Image], pyvips.Image]) -> tuple[Floats, Floats]:
    """True greys from black to white before and after `steps`: two arrays (65, 3) of media-relative Lab.

    `steps` gets a row of 16-bit pixels in `icc` and returns one of the same size. Raises ValueError for a profile without a way both ways.
    """
    wanted = np.stack([np.linspace(0, 100, _GREYS), np.zeros(_GREYS), np.zeros(_GREYS)], axis=1)
    codes = np.round(np.clip(lab_to_device(icc, wanted), 0, 1) * 65535).astype(np.uint16)
    row = pyvips.Image.new_from_memory(codes.tobytes(), _GREYS, 1, codes.shape[1], "ushort")
    made = steps(row.copy(interpretation="rgb16" if codes.shape[1] == 3 else "grey16"))
    after = np.ndarray(codes.shape, np.uint16, made.write_to_memory())
    return device_to_lab(icc, codes / 65535), device_to_lab(icc, after / 65535)
