"""What is done to decoded pixels of any format: 16 bits a channel, alpha off the colours, the right way up. All of it lazy."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyvips

from drydown.imaging.reading.found import Access

FULL: Final = 65535
_OWN_FIELDS: Final = (
    b"vips-"  # how libvips itself reads, sequentially for instance; whatever came from the file goes
)
_INTERPRETATION: Final = {1: "grey16", 2: "grey16", 3: "rgb16", 4: "rgb16"}


def vips_load(loader: str, path: Path, access: Access, **options: Any) -> pyvips.Image:
    """Open with a named libvips loader, strictly.

    `revalidate`, because libvips keeps what it has read by name, and would hand out an older file's pixels.
    The name goes over as bytes: names need not be UTF-8.
    """
    strictly = {"fail_on": "warning", "revalidate": True} | options
    return getattr(pyvips.Image, loader)(os.fsencode(path), access=access, **strictly)


def sixteen(pixels: pyvips.Image, bits: int) -> pyvips.Image:
    """Exact 16 bits from 8 (v * 257), or from `bits` of 9-15 that lie in the upper bits of 16, as libheif hands them over.

    libvips' own shifting cast makes 511 of 1, so it goes through a table.
    """
    if pixels.format == "uchar":
        return pixels.maplut(_table(8))
    if pixels.format != "ushort":
        raise TypeError(f"pixels are {pixels.format}")
    return pixels if bits >= 16 else pixels.maplut(_table(bits))


def with_alpha(colours: pyvips.Image, alpha: pyvips.Image | None) -> pyvips.Image:
    """Colours and their alpha as one picture."""
    return colours if alpha is None else colours.bandjoin(alpha)


def unmultiplied(pixels: pyvips.Image, matte: tuple[float, ...]) -> pyvips.Image:
    """Take a matte out of colours that alpha (the last band) was already laid over: c = m + (s - m) / alpha.

    `matte` is one value a colour band, 0..65535: (0, …) for premultiplied pixels. Where alpha is 0 the colour is the matte's.
    """
    colours, alpha = pixels[: pixels.bands - 1], pixels[pixels.bands - 1]
    plane = list(matte)
    whole = ((colours - plane) * (FULL / alpha.cast("double")) + plane).rint().cast("ushort")
    return whole.bandjoin(alpha)


def turned(pixels: pyvips.Image, upright: int) -> pyvips.Image:
    """Apply an orientation (EXIF 2.32, 4.6.4 A: where the stored picture's first row and column lie)."""
    steps = {2: "H", 3: "2", 4: "V", 5: "1H", 6: "1", 7: "3H", 8: "3"}.get(upright, "")
    for step in steps:
        pixels = {
            "H": pixels.fliphor,
            "V": pixels.flipver,
            "1": pixels.rot90,
            "2": pixels.rot180,
            "3": pixels.rot270,
        }[step]()
    return pixels


def needs_random(upright: int) -> bool:
    """Whether an orientation reads rows in another order than stored."""
    return upright > 2


def bare(pixels: pyvips.Image, channels: int) -> pyvips.Image:
    """The pixels without any metadata, and with the interpretation that fits their colour channels."""
    plain = pixels.copy(
        interpretation="cmyk" if channels == 4 else _INTERPRETATION[channels], xres=1.0, yres=1.0
    )
    for name in _field_names(plain):
        if not name.startswith(_OWN_FIELDS):
            plain.remove(name)  # of header fields, such as width, this does nothing
    return plain


def _field_names(image: pyvips.Image) -> list[bytes]:
    """Names of all fields as bytes. pyvips decodes them as UTF-8 and fails on a PNG whose text keywords are Latin-1, as they may be."""
    array = pyvips.vips_lib.vips_image_get_fields(image.pointer)
    names, at = [], 0
    while array[at] != pyvips.ffi.NULL:
        names.append(bytes(pyvips.ffi.string(array[at])))
        pyvips.glib_lib.g_free(array[at])
        at += 1
    pyvips.glib_lib.g_free(array)
    return names


@cache
def _table(bits: int) -> pyvips.Image:
    """65535 / (2**bits - 1) times the code, rounded; for 9-15 bits the code lies in the upper bits."""
    if bits == 8:
        values = np.arange(256, dtype=np.uint16) * 257
    else:
        codes = np.arange(65536, dtype=np.int64) >> (16 - bits)
        values = np.rint(codes * FULL / (2**bits - 1)).astype(np.uint16)
    return pyvips.Image.new_from_array(values.reshape(1, -1))
