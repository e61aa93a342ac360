"""NumPy on a picture too large to hold: strips of rows, memory flat."""

from __future__ import annotations

import mmap
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyvips

Rows = npt.NDArray[np.uint16]

ROWS = 256  #: rows a strip: 256 x 6,000 x 3 x 2 bytes are 9 MB, well inside a processor's last cache and far from a whole picture
WHOLE_LIMIT_PX = 4_000_000


def array(pixels: pyvips.Image, *, whole: bool = False) -> Rows:
    """The picture as (height, width, bands) uint16.

    Raises ValueError above 4 megapixels unless `whole` is set, because a 45-megapixel array is 270 MB and its copies as much again.
    """
    if not whole and pixels.width * pixels.height > WHOLE_LIMIT_PX:
        raise ValueError(
            f"the picture has {pixels.width} x {pixels.height} pixels; use frame.by_rows, or array(whole=True) if the memory is there"
        )
    return np.ndarray(
        shape=(pixels.height, pixels.width, pixels.bands), dtype=np.uint16, buffer=pixels.write_to_memory()
    )


def by_rows(pixels: pyvips.Image, fn: Callable[[Rows], Rows], *, reach_px: int = 0) -> pyvips.Image:
    """Apply `fn` to strips of 256 rows (and `reach_px` more above and below, edges copied) and return the new picture.

    The picture is evaluated once into an unlinked scratch file, and so is the result, which is mapped back: memory stays at a few strips.
    """
    width, height = pixels.width, pixels.height
    source = _scratch(pixels)
    bands = pixels.bands
    out: mmap.mmap | None = None
    out_bands = 0
    with tempfile.TemporaryFile() as file:
        for top in range(0, height, ROWS):
            bottom = min(top + ROWS, height)
            first, last = max(0, top - reach_px), min(height, bottom + reach_px)
            strip = np.array(source[first:last])
            pad = (reach_px - (top - first), reach_px - (last - bottom))
            if any(pad):
                strip = np.pad(strip, (pad, (0, 0), (0, 0)), mode="edge")
            done = np.asarray(fn(strip))
            if done.ndim == 2:
                done = done[:, :, np.newaxis]
            if done.shape[:2] != strip.shape[:2] or done.dtype != np.uint16:
                raise TypeError(
                    f"the function was given {strip.shape} uint16 and returned {done.shape} {done.dtype}; "
                    "height and width must stay, and the type must be uint16"
                )
            if reach_px:
                done = done[reach_px : reach_px + bottom - top]
            out_bands = done.shape[2]
            file.write(np.ascontiguousarray(done).data)
        file.flush()
        out = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    result = pyvips.Image.new_from_memory(out, width, height, out_bands, "ushort")
    interpretation = pixels.interpretation if out_bands == bands else ("grey16" if out_bands < 3 else "rgb16")
    return result.copy(interpretation=interpretation, xres=pixels.xres, yres=pixels.yres)


def _scratch(pixels: pyvips.Image) -> Rows:
    """Evaluate once into a raw file and map it: (height, width, bands), read-only."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.raw"
        pixels.rawsave(str(path))
        # the mapping outlives the name: nothing is left behind, whatever happens to this process
        return np.memmap(path, dtype=np.uint16, mode="r", shape=(pixels.height, pixels.width, pixels.bands))
