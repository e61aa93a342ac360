"""Opens a published picture the way a job does, for the reading tests of this folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from drydown.errors import Hold, Refusal
from drydown.imaging.convert import to_srgb
from drydown.imaging.guard import strict_warnings
from drydown.imaging.read import Picture, open_picture

Codes = npt.NDArray[np.int64]


def opened(path: Path, scratch: Path) -> tuple[Picture, Codes]:
    """Picture and pixels, with libvips' warnings failing."""
    with strict_warnings(what=path.name):
        picture = open_picture(
            path, untagged="srgb", access="sequential", max_pixels=100_000_000, scratch=scratch
        )
        return picture, codes_of(picture.pixels)


def as_srgb(path: Path, scratch: Path) -> Codes:
    """8-bit sRGB through the picture's own profile."""
    with strict_warnings(what=path.name):
        picture = open_picture(
            path, untagged="srgb", access="sequential", max_pixels=100_000_000, scratch=scratch
        )
        assert picture.icc is not None
        return codes_of(to_srgb(picture.pixels, picture.icc))


def codes_of(pixels: Any) -> Codes:
    """The pixels of a libvips picture as (height, width, bands)."""
    dtype = np.uint16 if pixels.format == "ushort" else np.uint8
    array = np.ndarray((pixels.height, pixels.width, pixels.bands), dtype, pixels.write_to_memory())
    return array.astype(np.int64)


def refused(path: Path, scratch: Path) -> str:
    """The sentence that a picture is refused with; empty where it is not."""
    try:
        opened(path, scratch)
    except Refusal as refusal:
        assert not isinstance(refusal, Hold)
        return refusal.sentence
    return ""
