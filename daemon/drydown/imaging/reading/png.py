"""PNG (W3C PNG, third edition): walks the chunks to IEND, finds profile, stated colour, orientation and animation.

The check sums of picture data are left to the decoder, which fails on them; those of the chunks used here are checked here.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

import pyvips

from drydown.imaging.reading.exif import read_exif
from drydown.imaging.reading.found import Access, Colour, Found, Source, Stated, inflated
from drydown.imaging.reading.loaded import sixteen, vips_load
from drydown.imaging.reading.stated import from_code_points, from_gamma, srgb

_KEPT: Final = {b"IHDR", b"PLTE", b"tRNS", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"cICP", b"eXIf", b"acTL"}
_HEAD: Final = struct.Struct(">I4s")  # length and name
_KEPT_LIMIT: Final = 16 * 1024 * 1024
_GREY, _RGB, _PALETTE, _GREY_ALPHA, _RGB_ALPHA = 0, 2, 3, 4, 6


def examine(source: Source) -> Found:
    """Check a PNG and say what it holds. Raises `Refusal`."""
    chunks = _chunks(source)
    source.check_tail()
    header = chunks.get(b"IHDR", b"")
    if len(header) != 13:
        raise source.cut("its header is damaged")
    width, height, bits, kind = struct.unpack_from(">IIBB", header)
    if kind not in (_GREY, _RGB, _PALETTE, _GREY_ALPHA, _RGB_ALPHA) or bits not in (1, 2, 4, 8, 16):
        raise source.cut("its header is damaged")
    if b"acTL" in chunks and chunks[b"acTL"][:4] != struct.pack(">I", 1):
        raise source.refusal("is an animated PNG", "Export the one picture that is meant")
    exif = read_exif(chunks.get(b"eXIf"))
    icc, stated = _colour(source, chunks)
    colour: Colour = "grey" if kind in (_GREY, _GREY_ALPHA) else "rgb"

    def load(access: Access) -> pyvips.Image:
        return sixteen(vips_load("pngload", source.path, access), bits)

    return Found(
        format="PNG",
        width=width,
        height=height,
        bits=bits,
        colour=colour,
        load=load,
        upright=exif.upright,
        icc=icc,
        stated=stated or exif.stated,
        notes=exif.notes,
        stored=f"palette, {bits} bits" if kind == _PALETTE else "",
    )


def _chunks(source: Source) -> dict[bytes, bytes]:
    """The chunks that matter here; all of them are walked (5.3), the last must be IEND."""
    kept: dict[bytes, bytes] = {}
    data, at, picture, size = source.data, 8, 0, source.size
    while True:
        if at + 12 > size:
            raise source.cut("it ends before its end mark (IEND)")
        length, name = _HEAD.unpack(source.peek(at, 8))
        end = at + 12 + length
        if not name.isalpha():
            raise source.cut(f"it is damaged at byte {at:,}")
        if end > size:
            raise source.cut("it ends before its end mark (IEND)")
        if name == b"IEND":
            if not picture:
                raise source.cut("it holds no picture data")
            return kept
        picture += length if name == b"IDAT" else 0
        if name in _KEPT and name not in kept:
            if length > _KEPT_LIMIT:
                raise source.refusal(
                    f"has a {name.decode()} chunk of {length / 1e6:.0f} MB", "Export it again"
                )
            content = bytes(data[at + 8 : at + 8 + length])
            if zlib.crc32(name + content) != struct.unpack_from(">I", data, end - 4)[0]:
                raise source.cut(f"the check sum of its {name.decode()} chunk is wrong")
            # acTL counts only before the picture data (11.3.4); the frames' own header chunks do not matter
            if not (name == b"acTL" and picture):
                kept[name] = content
        at = end


def _colour(source: Source, chunks: dict[bytes, bytes]) -> tuple[bytes | None, Stated | None]:
    """The profile, or what is stated without one, in the order of precedence of 4.3: cICP, iCCP, sRGB, cHRM and gAMA."""
    if len(chunks.get(b"cICP", b"")) == 4:
        primaries, transfer = chunks[b"cICP"][:2]
        stated = from_code_points(source, primaries, transfer)
        if stated is not None:
            return None, stated
    if b"iCCP" in chunks:
        _, _, packed = chunks[b"iCCP"].partition(b"\0")
        try:
            return inflated(packed[1:]), None
        except ValueError as fault:
            raise source.refusal(
                f"has a damaged colour profile ({fault})", "Export it again with its profile embedded"
            ) from None
    if b"sRGB" in chunks:
        return None, srgb("its sRGB chunk says sRGB", sure=True)
    gamma = struct.unpack(">I", chunks[b"gAMA"])[0] if len(chunks.get(b"gAMA", b"")) == 4 else 0
    places = struct.unpack(">8I", chunks[b"cHRM"]) if len(chunks.get(b"cHRM", b"")) == 32 else ()
    return None, from_gamma(gamma, places)
