"""Boxes of ISO 14496-12 and items of HEIF (ISO 23008-12): where the primary picture lies, how large it is, what colour it states.

Every length and extent is held against the file, because decoders take a cut file for a short one. It decodes nothing.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from drydown.imaging.reading.found import Bytes

_ITEM_LIMIT: Final = 20_000
_PROPERTY_LIMIT: Final = 20_000
_EXTENT_LIMIT: Final = (
    20_000  # of all items together: a place may take no byte, so that the file's size is no bound
)


class BadBoxes(ValueError):
    """The structure is damaged. The text is a reason in lower case without a full stop."""


@dataclass(frozen=True, slots=True)
class Box:
    """One box: its four-letter name and where its content lies."""

    name: bytes
    start: int
    end: int


@dataclass(slots=True)
class Items:
    """The `meta` box as data. Property numbers are as in the file (0-based here)."""

    brands: tuple[bytes, ...] = ()
    primary: int = 0
    types: dict[int, bytes] = field(default_factory=dict)
    extents: dict[int, list[tuple[int, int]]] = field(
        default_factory=dict
    )  #: item -> (start, end) in the file
    references: dict[bytes, list[tuple[int, tuple[int, ...]]]] = field(default_factory=dict)
    properties: list[tuple[bytes, bytes]] = field(default_factory=list)
    owned: dict[int, list[int]] = field(default_factory=dict)
    moving: bool = False

    def properties_of(self, item: int) -> list[tuple[bytes, bytes]]:
        """Name and content of an item's properties."""
        return [self.properties[n] for n in self.owned.get(item, ()) if n < len(self.properties)]

    def referred(self, kind: bytes, item: int) -> tuple[int, ...]:
        """The items that `item` refers to by references of a kind."""
        return tuple(to for at, many in self.references.get(kind, ()) if at == item for to in many)


def boxes(data: Bytes, start: int, end: int) -> Iterator[Box]:
    """The boxes between two places. Raises `BadBoxes` for one that runs beyond `end`."""
    at = start
    while at < end:
        if at + 8 > end:
            raise BadBoxes("it ends within a box")
        size, name = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1:
            if at + 16 > end:
                raise BadBoxes("it ends within a box")
            (size,) = struct.unpack_from(">Q", data, at + 8)
            head = 16
        elif size == 0:
            size = end - at
        if size < head or at + size > end:
            raise BadBoxes(f"its {name.decode('latin-1')!r} box is cut off")
        yield Box(name, at + head, at + size)
        at += size


def items(data: Bytes) -> Items:
    """Read the whole structure. Raises `BadBoxes`."""
    found = Items()
    try:
        for box in boxes(data, 0, len(data)):
            if box.name == b"ftyp":
                found.brands = _brands(data, box)
            elif box.name == b"meta":
                _meta(data, box, found)
            elif box.name == b"moov":
                found.moving = True
    except struct.error:
        raise BadBoxes("it ends within a box") from None
    for item, parts in found.extents.items():
        for start, end in parts:
            if end > len(data):
                raise BadBoxes(
                    f"item {item} lies at {start:,} to {end:,}, beyond the file's {len(data):,} bytes"
                )
    return found


def _brands(data: Bytes, box: Box) -> tuple[bytes, ...]:
    return tuple(bytes(data[at : at + 4]) for at in range(box.start, box.end - 3, 4) if at != box.start + 4)


def _meta(data: Bytes, meta: Box, found: Items) -> None:
    inner = {box.name: box for box in boxes(data, meta.start + 4, meta.end)}
    if b"pitm" in inner:
        box = inner[b"pitm"]
        code = ">H" if data[box.start] == 0 else ">I"
        (found.primary,) = struct.unpack_from(code, data, box.start + 4)
    if b"iinf" in inner:
        box = inner[b"iinf"]
        first = box.start + (6 if data[box.start] == 0 else 8)
        for entry in boxes(data, first, box.end):
            _entry(data, entry, found)
    if b"iloc" in inner:
        _locations(data, inner[b"iloc"], inner.get(b"idat"), found)
    if b"iref" in inner:
        _references(data, inner[b"iref"], found)
    if b"iprp" in inner:
        for box in boxes(data, inner[b"iprp"].start, inner[b"iprp"].end):
            if box.name == b"ipco":
                for part in boxes(data, box.start, box.end):
                    found.properties.append((part.name, bytes(data[part.start : part.end])))
                if len(found.properties) > _PROPERTY_LIMIT:
                    raise BadBoxes("it states more properties than a picture has")
            elif box.name == b"ipma":
                _associations(data, box, found)


def _entry(data: Bytes, box: Box, found: Items) -> None:
    """ISO 14496-12, 8.11.6: the type of an item."""
    version = data[box.start]
    if box.name != b"infe" or version < 2:
        return
    code = ">HH4s" if version == 2 else ">IH4s"
    item, _, kind = struct.unpack_from(code, data, box.start + 4)
    found.types[item] = kind


def _locations(data: Bytes, box: Box, held: Box | None, found: Items) -> None:
    """ISO 14496-12, 8.11.3: the extents of every item, in the file or in `idat`."""
    version = data[box.start]
    sizes, more = data[box.start + 4], data[box.start + 5]
    offset_bytes, length_bytes, base_bytes = sizes >> 4, sizes & 15, more >> 4
    index_bytes = more & 15 if version in (1, 2) else 0
    at = box.start + 6

    def take(count: int) -> int:
        nonlocal at
        if at + count > box.end:
            raise BadBoxes("its table of places is cut off")
        at += count
        return int.from_bytes(data[at - count : at], "big")

    count = take(2 if version < 2 else 4)
    if count > _ITEM_LIMIT:
        raise BadBoxes(f"it states {count:,} items")
    left = _EXTENT_LIMIT
    for _ in range(count):
        item = take(2 if version < 2 else 4)
        method = take(2) & 15 if version in (1, 2) else 0
        take(2)  # data reference
        base = take(base_bytes)
        parts = []
        extents = take(2)
        left -= extents
        if left < 0:
            raise BadBoxes(f"its items lie in more than {_EXTENT_LIMIT:,} places")
        for _ in range(extents):
            take(index_bytes)
            start = base + take(offset_bytes)
            length = take(length_bytes)
            if method == 1 and held is not None:
                start += held.start
            if method < 2:
                parts.append((start, start + length if length else len(data)))
        found.extents[item] = parts


def _references(data: Bytes, box: Box, found: Items) -> None:
    """ISO 14496-12, 8.11.12: `dimg` a grid's tiles, `auxl` alpha and depth, `prem` premultiplied by, `thmb` a thumbnail."""
    large = data[box.start] == 1
    code, step = (">I", 4) if large else (">H", 2)
    for kind in boxes(data, box.start + 4, box.end):
        (item,) = struct.unpack_from(code, data, kind.start)
        (count,) = struct.unpack_from(">H", data, kind.start + step)
        first = kind.start + step + 2
        if first + count * step > kind.end:
            raise BadBoxes(f"its {kind.name.decode('latin-1')!r} references are cut off")
        many = tuple(struct.unpack_from(code, data, first + n * step)[0] for n in range(count))
        found.references.setdefault(kind.name, []).append((item, many))


def _associations(data: Bytes, box: Box, found: Items) -> None:
    """ISO 23008-12, 9.3.1: which properties an item has."""
    version, wide = data[box.start], data[box.start + 3] & 1
    (count,) = struct.unpack_from(">I", data, box.start + 4)
    if count > _ITEM_LIMIT:
        raise BadBoxes(f"it states {count:,} items")
    at = box.start + 8
    for _ in range(count):
        (item,) = struct.unpack_from(">H" if version < 1 else ">I", data, at)
        at += 2 if version < 1 else 4
        (many,) = struct.unpack_from(">B", data, at)
        at += 1
        if at + many * (2 if wide else 1) > box.end:
            raise BadBoxes("its table of properties is cut off")
        for _ in range(many):
            (index,) = struct.unpack_from(">H" if wide else ">B", data, at)
            at += 2 if wide else 1
            found.owned.setdefault(item, []).append((index & (0x7FFF if wide else 0x7F)) - 1)
