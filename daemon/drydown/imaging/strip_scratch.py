"""A picture evaluated once and kept on disk, so that any part of it can be asked for in any order without holding it in memory.

Kept as a tiled TIFF: of what libvips reads without trusting the file, the one kind that it reads at random tile by tile. (A raw file mapped into
memory is as quick and counts with its whole size; a TIFF of rows would be decoded whole first.)
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pyvips

_TILE_PX = (512, 64)  #: wide and low: both rows and small regions are asked for


def kept(pixels: pyvips.Image, folder: Path) -> pyvips.Image:
    """Evaluate a picture (ushort) into a new file in `folder`, and open that at random. The file must stay as long as the picture is used.

    Raises pyvips.Error where the evaluation or the disk fails.
    """
    handle, name = tempfile.mkstemp(dir=folder, suffix=".tif")
    os.close(handle)
    width, height = _TILE_PX
    pixels.tiffsave(name, tile=True, tile_width=width, tile_height=height, compression="none", keep="none")
    found = pyvips.Image.tiffload(name, access="random")
    return found.copy(interpretation=pixels.interpretation)


def shrunk(pixels: pyvips.Image, times: int) -> pyvips.Image:
    """The picture in memory, so many whole pixels each way averaged to one; never less than one pixel."""
    across, down = min(times, pixels.width), min(times, pixels.height)
    less = pixels.shrink(across, down) if times > 1 else pixels
    return less.cast("ushort").copy(interpretation=pixels.interpretation).copy_memory()
