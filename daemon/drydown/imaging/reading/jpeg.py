"""JPEG (ITU-T T.81): walks the markers to the end mark, joins the profile (ICC.1:2022, B.4), finds the orientation.

Decoders accept a cut file, so the walk decides whether it is whole. Of a damaged scan they say so in a warning, which fails the job.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field
from typing import Final

import pyvips

from drydown.imaging.guard import strict_warnings
from drydown.imaging.icc import LIMIT_BYTES
from drydown.imaging.reading.exif import read_exif
from drydown.imaging.reading.found import ZEROS, Access, Colour, Found, Source
from drydown.imaging.reading.loaded import sixteen, vips_load

_EOI, _SOS, _APP1, _APP2 = 0xD9, 0xDA, 0xE1, 0xE2
_ALONE: Final = {0x01, *range(0xD0, 0xD8)}  # markers without a length (T.81, table B.1)
_FRAMES: Final = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_READ: Final = {0xC0, 0xC1, 0xC2, 0xC9, 0xCA}  # sequential and progressive, Huffman or arithmetic
#: The next marker after entropy-coded data, where FF 00 is a coded FF and FF D0-D7 a restart.
_MARKER: Final = re.compile(
    rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL
)  # one literal first: thus it searches by memchr
_FILL: Final = re.compile(rb"\xff+")
_PROFILE: Final = b"ICC_PROFILE\0"
_EXIF: Final = b"Exif\0\0"


@dataclass(slots=True)
class _Walk:
    frame: tuple[int, int, int, int, int] | None = None  # marker, bits, height, width, channels
    exif: bytes | None = None
    parts: dict[int, bytes] = field(default_factory=dict)
    parts_stated: int = 0


def examine(source: Source) -> Found:
    """Check a JPEG and say what it holds. Raises `Refusal`."""
    walk = _walk(source)
    if walk.frame is None:
        raise source.cut("it has no frame header")
    marker, bits, height, width, channels = walk.frame
    if marker not in _READ or bits != 8 or not height:
        raise source.refusal(
            f"is a JPEG of an uncommon kind (frame type {marker - 0xC0}, {bits} bits)",
            "Export it as an ordinary JPEG, or better as a TIFF of 16 bits",
        )
    colours: dict[int, Colour] = {1: "grey", 3: "rgb", 4: "cmyk"}
    if channels not in colours:
        raise source.refusal(f"is a JPEG of {channels} channels", "Export it as RGB")
    source.check_tail()
    exif = read_exif(walk.exif)

    def prove(source: Source) -> None:
        # only at the last row does the decoder say that it has drawn what was not there, and a recipe may crop that row away
        try:
            with strict_warnings(what=source.name):
                vips_load("jpegload", source.path, "sequential").avg()
        except pyvips.Error as fault:
            raise source.cut("it cannot be decoded to its end") from fault

    def load(access: Access) -> pyvips.Image:
        # libvips turns the ink values of CMYK round where the file's APP14 segment says that they are stored inverted
        return sixteen(vips_load("jpegload", source.path, access), 8)

    return Found(
        format="JPEG",
        width=width,
        height=height,
        bits=8,
        colour=colours[channels],
        load=load,
        upright=exif.upright,
        icc=_profile(source, walk),
        stated=exif.stated,
        notes=exif.notes,
        prove=prove,
    )


def _walk(source: Source) -> _Walk:
    """From start to end mark, marker by marker."""
    data, walk, at, scans = source.data, _Walk(), 2, 0
    while True:
        if at + 2 > source.size:
            raise source.cut("it ends before its end mark")
        if data[at] != 0xFF:
            raise source.cut(f"it is damaged at byte {at:,}")
        marker = data[at + 1]
        if marker == 0xFF:  # fill bytes (T.81, B.1.1.2), by the megabyte if need be
            run = _FILL.match(data, at)
            at = run.end() - 1 if run else at + 1
            continue
        if marker == _EOI:
            if not scans:
                raise source.cut("it holds no picture data")
            return walk
        if marker in _ALONE:
            at += 2
            continue
        if at + 4 > source.size:
            raise source.cut("it ends before its end mark")
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if length < 2 or end > source.size:
            raise source.cut("it ends before its end mark")
        _take(source, walk, marker, bytes(data[at + 4 : end]) if marker != _SOS else b"")
        at = end
        if marker == _SOS:
            scans += 1
            at = _scan_end(source, end)


def _scan_end(source: Source, start: int) -> int:
    """Where the marker after a scan lies. A run of zeros of the length that a hole has is refused on the way."""
    found = _MARKER.search(source.data, start)
    if found is None:
        raise source.cut("it ends before its end mark")
    hole = source.data.find(bytes(ZEROS), start, found.start())
    if hole >= 0:
        raise source.cut(f"there are {ZEROS // 1024} KiB of zero bytes in its picture data at byte {hole:,}")
    return found.start()


def _take(source: Source, walk: _Walk, marker: int, content: bytes) -> None:
    """Keep what matters of one segment."""
    if marker in _FRAMES and walk.frame is None:
        if len(content) < 6:
            raise source.cut("its frame header is damaged")
        bits, height, width, channels = struct.unpack_from(">BHHB", content)
        walk.frame = (marker, bits, height, width, channels)
    elif marker == _APP1 and content.startswith(_EXIF) and walk.exif is None:
        walk.exif = content
    elif marker == _APP2 and content.startswith(_PROFILE) and len(content) >= len(_PROFILE) + 2:
        number, walk.parts_stated = content[len(_PROFILE)], content[len(_PROFILE) + 1]
        walk.parts[number] = content[len(_PROFILE) + 2 :]
        if sum(map(len, walk.parts.values())) > LIMIT_BYTES:
            raise source.refusal(
                f"carries a colour profile of more than {LIMIT_BYTES / 1e6:.0f} MB",
                "Convert it to a working space such as sRGB and export it again",
            )


def _profile(source: Source, walk: _Walk) -> bytes | None:
    if not walk.parts:
        return None
    if sorted(walk.parts) != list(range(1, walk.parts_stated + 1)):
        raise source.refusal(
            f"has a colour profile in {walk.parts_stated} parts, of which {len(walk.parts)} are there",
            "Export it again with its profile embedded",
        )
    return b"".join(walk.parts[number] for number in sorted(walk.parts))
