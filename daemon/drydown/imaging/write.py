"""A finished sheet as a TIFF: its bits, its exact resolution, the stock's profile, and nothing of the source's metadata."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pyvips

from drydown.api import MM_PER_INCH, Finished
from drydown.imaging.dither import to_8_bits

_COMPRESSION: Final = {"none": "none", "lzw": "lzw", "zip": "deflate"}
_INTERPRETATION: Final = {
    (1, 16): "grey16",
    (3, 16): "rgb16",
    (4, 16): "cmyk",
    (1, 8): "b-w",
    (3, 8): "srgb",
    (4, 8): "cmyk",
}
#: TIFF 6.0 counts in 32 bits; the last 32 MB are left to tags, profile and a compressor that makes noise longer.
_CLASSIC_LIMIT_BYTES: Final = 2**32 - 2**25


def write_sheet(finished: Finished, path: Path, *, ppi: float, icc: bytes | None) -> None:
    """Evaluate the sheet and write it to `path`, which is replaced; the caller syncs and renames.

    16 bits as they are, or 8 bits dithered inside `finished.picture` only. `ppi` goes into the file as pixels an inch, `icc` is embedded; None is for device values as such. BigTIFF
    where the pixels come near 4 GiB. Raises ValueError for pixels that are not 16 bits in 1, 3 or 4 channels, pyvips.Error where the evaluation or the disk fails.
    """
    pixels = finished.frame.pixels
    if pixels.format != "ushort" or pixels.hasalpha() or (pixels.bands, 16) not in _INTERPRETATION:
        raise ValueError(
            f"the sheet has {pixels.bands} channels of {pixels.format}; 1, 3 or 4 of 16 bits without alpha can be written"
        )
    if finished.bits == 8:
        pixels = to_8_bits(pixels, finished.picture)
    per_mm = ppi / MM_PER_INCH
    tagged = pixels.copy(
        xres=per_mm, yres=per_mm, interpretation=_INTERPRETATION[pixels.bands, finished.bits]
    )
    if icc is not None:
        tagged.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
    size_bytes = pixels.width * pixels.height * pixels.bands * finished.bits // 8
    tagged.tiffsave(
        str(path),
        compression=_COMPRESSION[finished.compression],
        predictor="none" if finished.compression == "none" else "horizontal",
        resunit="inch",
        bigtiff=size_bytes > _CLASSIC_LIMIT_BYTES,
        keep="icc",
    )
