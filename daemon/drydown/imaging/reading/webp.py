"""WebP (RFC 9649): walks the chunks, refuses cut and animated files."""

from __future__ import annotations

import struct

import pyvips

from drydown.imaging.reading.exif import read_exif
from drydown.imaging.reading.found import Access, Found, Source
from drydown.imaging.reading.loaded import sixteen, vips_load

_ANIMATION_FLAG, _EXIF_FLAG, _PROFILE_FLAG = 0x02, 0x08, 0x20  # RFC 9649, 2.7
_KEPT = {b"VP8X", b"ICCP", b"EXIF"}


def examine(source: Source) -> Found:
    """Check a WebP and say what it holds. Raises `Refusal`."""
    chunks, picture, animated = _chunks(source)
    extended = chunks.get(b"VP8X", b"")
    flags = extended[0] if len(extended) >= 10 else 0
    if animated or flags & _ANIMATION_FLAG:
        raise source.refusal("is an animated WebP", "Export the one picture that is meant")
    if picture is None:
        raise source.cut("it holds no picture data")
    name, start, end = picture
    width, height = _size(source, name, bytes(source.data[start : min(end, start + 16)]))
    source.check_coded_end(end)
    if name == b"VP8 ":  # its decoder makes pixels of anything
        source.check_no_hole(start, end)
    if flags & _PROFILE_FLAG and b"ICCP" not in chunks:
        raise source.cut("it states a colour profile, and has none")
    if flags & _EXIF_FLAG and b"EXIF" not in chunks:
        raise source.cut("it states an EXIF block, which may turn the picture, and has none")
    exif = read_exif(chunks.get(b"EXIF"))

    def load(access: Access) -> pyvips.Image:
        return sixteen(vips_load("webpload", source.path, access), 8)

    return Found(
        format="WebP",
        width=width,
        height=height,
        bits=8,
        colour="rgb",
        load=load,
        upright=exif.upright,
        icc=chunks.get(b"ICCP"),
        stated=exif.stated,
        notes=exif.notes,
        stored="without loss" if name == b"VP8L" else "",
    )


def _chunks(source: Source) -> tuple[dict[bytes, bytes], tuple[bytes, int, int] | None, bool]:
    """Chunks that matter, where the picture's own lies (name, start, end), and whether there are frames."""
    kept: dict[bytes, bytes] = {}
    data, picture, animated = source.data, None, False
    if source.size < 12:
        raise source.cut("it ends within its header")
    (stated,) = struct.unpack_from("<I", data, 4)
    whole = stated + 8
    if whole > source.size:
        raise source.cut(f"it has {source.size:,} bytes of {whole:,}")
    at = 12
    while at + 8 <= whole:
        name, length = struct.unpack_from("<4sI", data, at)
        start, end = at + 8, at + 8 + length
        if not (name.isascii() and name.decode("ascii").isprintable()):  # RFC 9649, 2.3
            raise source.cut(f"it is damaged at byte {at:,}")
        if end > whole:
            raise source.cut(f"its {name.decode('latin-1')} chunk runs beyond the end")
        if name in (b"VP8 ", b"VP8L") and picture is None:
            picture = (name, start, end)
        elif name in (b"ANIM", b"ANMF"):
            animated = True
        elif name in _KEPT:
            kept.setdefault(name, bytes(data[start:end]))
        at = end + length % 2
    source.check_tail()
    return kept, picture, animated


def _size(source: Source, name: bytes, head: bytes) -> tuple[int, int]:
    """Width and height from the picture's own header (RFC 6386, 9.1; RFC 9649, 3.4)."""
    if name == b"VP8 " and len(head) >= 10 and head[3:6] == b"\x9d\x01\x2a":
        width, height = struct.unpack_from("<HH", head, 6)
        return width & 0x3FFF, height & 0x3FFF
    if name == b"VP8L" and len(head) >= 5 and head[0] == 0x2F:
        (packed,) = struct.unpack_from("<I", head, 1)
        return (packed & 0x3FFF) + 1, (packed >> 14 & 0x3FFF) + 1
    raise source.cut("its picture header is damaged")
