"""Is all of a TIFF there, as far as its own first directory says? TIFF 6.0, section 2; BigTIFF with its wider fields.

Only places and lengths are read: the directory must lie in the file and hold entries, and so must every strip or tile that it names.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

Read = Callable[[int, int], bytes]

_STARTS = (273, 324)  #: StripOffsets, TileOffsets
_COUNTS = (279, 325)  #: StripByteCounts, TileByteCounts
_INTEGERS = {3: "H", 4: "I", 16: "Q"}  #: field types SHORT, LONG and BigTIFF's LONG8
_MOST = 100_000  #: strips looked at


def unfinished(head: bytes, read: Read, size: int) -> str | None:
    """Why the TIFF of `size` bytes that begins with `head` (16 bytes or more) looks unfinished, or None."""
    order, big = ("<" if head[:2] == b"II" else ">"), 43 in head[2:4]
    place_as, count_as, start = ("Q", "Q", 8) if big else ("I", "H", 4)
    entry = struct.Struct(order + ("HHQ8s" if big else "HHI4s"))
    try:
        (place,) = struct.unpack_from(order + place_as, head, start)
        width = struct.calcsize(order + count_as)
        (entries,) = struct.unpack(order + count_as, read(place, width) if place < size else b"")
        directory = read(place + width, entry.size * min(entries, 4096))
    except struct.error:
        return "the directory of its TIFF data is missing"
    if entries == 0 or len(directory) < entry.size * min(entries, 4096):
        return "the directory of its TIFF data is missing"
    fields = {tag: (kind, count, value) for tag, kind, count, value in entry.iter_unpack(directory)}
    if 0 in fields:  # no field has that tag
        return "the directory of its TIFF data is still zeros"
    starts = next((_values(order, read, *fields[tag], size) for tag in _STARTS if tag in fields), ())
    counts = next((_values(order, read, *fields[tag], size) for tag in _COUNTS if tag in fields), ())
    if starts is None or counts is None:
        return "the table of its TIFF data is cut"
    if any(at + length > size for at, length in zip(starts, counts, strict=False)):
        return "its TIFF data is cut"
    return None


def _values(order: str, read: Read, kind: int, count: int, value: bytes, size: int) -> tuple[int, ...] | None:
    """A field's whole numbers, which stand in `value` or, when too many, at the place it names; None when they are not in the file."""
    letter = _INTEGERS.get(kind)
    if letter is None:
        return ()
    count = min(count, _MOST)
    layout = struct.Struct(f"{order}{count}{letter}")
    if layout.size > len(value):
        (place,) = struct.unpack(order + ("Q" if len(value) == 8 else "I"), value)
        value = read(place, layout.size) if place < size else b""
    return layout.unpack_from(value) if len(value) >= layout.size else None
