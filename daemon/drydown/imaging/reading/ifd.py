"""Image file directories: the one structure that TIFF, BigTIFF and EXIF blocks share (TIFF 6.0, section 2).

Reads tags and their numbers out of bytes, with every length checked. It decodes no picture and knows no photometry.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from drydown.imaging.reading.found import Bytes

#: NumPy's letter for each field type; rationals are pairs (TIFF 6.0, p. 15; BigTIFF adds 16-18).
_TYPES: Final = {1: "u1", 2: "u1", 3: "u2", 4: "u4", 5: "u4", 6: "i1", 7: "u1", 8: "i2", 9: "i4", 10: "i4", 11: "f4", 12: "f8", 13: "u4", 16: "u8", 17: "i8", 18: "u8"}  # fmt: skip
_PAIRS: Final = {5, 10}
_TAG_LIMIT: Final = 4096
_COUNT_LIMIT: Final = 50_000_000  # strips of one row in the tallest picture, three times over
DIRECTORY_LIMIT: Final = 1000
_TAGS_IN_ALL: Final = 100_000  # directories may lie over each other, so that the file's size is no bound

SUB_DIRECTORIES: Final = 330
EXIF_DIRECTORY: Final = 34665
INTEROP_DIRECTORY: Final = 40965
ORIENTATION: Final = 274
COLOUR_SPACE: Final = 40961
INTEROP_INDEX: Final = 1


class BadDirectory(ValueError):
    """The structure is damaged. The text is a reason in lower case without a full stop."""


@dataclass(slots=True)
class Budget:
    """How many tags may still be read of one file, all its directories together."""

    left: int = _TAGS_IN_ALL

    def spend(self, tags: int) -> None:
        """Raises `BadDirectory` where it is used up."""
        self.left -= tags
        if self.left < 0:
            raise BadDirectory(f"its directories hold more than {_TAGS_IN_ALL:,} tags")


@dataclass(frozen=True, slots=True)
class Field:
    """One tag: what its numbers are, and where they lie in the file."""

    kind: int
    count: int
    place: int
    bytes: int


@dataclass(frozen=True, slots=True)
class Directory:
    """One directory: its tags, and where the next one lies (0 = none)."""

    data: Bytes
    order: str  #: `<` or `>`
    big: bool  #: BigTIFF
    place: int
    tags: Mapping[int, Field]
    next: int
    budget: Budget

    def __contains__(self, tag: int) -> bool:
        return tag in self.tags

    def raw(self, tag: int) -> bytes:
        """The bytes of a tag; empty where it is missing. Raises `BadDirectory` where they lie outside the file."""
        field = self.tags.get(tag)
        return b"" if field is None else self._bytes(tag, field)

    def _bytes(self, tag: int, field: Field) -> bytes:
        if field.place + field.bytes > len(self.data):
            raise BadDirectory(
                f"tag {tag} lies at {field.place} with {field.bytes} bytes, beyond the file's end"
            )
        return bytes(self.data[field.place : field.place + field.bytes])

    def numbers(self, tag: int, most: int = _COUNT_LIMIT) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """The first `most` whole numbers of a tag; empty where it is missing. Raises `BadDirectory`."""
        field = self.tags.get(tag)
        if field is None:
            return np.empty(0, dtype=np.int64)
        if _TYPES[field.kind][0] == "f" or field.kind in _PAIRS:
            raise BadDirectory(f"tag {tag} should hold whole numbers")
        if most == _COUNT_LIMIT and field.count > most:
            raise BadDirectory(f"tag {tag} states {field.count} values")
        if field.count > most:  # read no more than is wanted: a tag can be as large as the file
            field = replace(field, count=most, bytes=most * int(_TYPES[field.kind][1]))
        values = np.frombuffer(self._bytes(tag, field), dtype=self.order + _TYPES[field.kind])
        if values.size and values.max() > np.iinfo(np.int64).max:
            raise BadDirectory(f"tag {tag} holds a number beyond all reason")
        return values.astype(np.int64)

    def number(self, tag: int, default: int) -> int:
        """The first number of a tag."""
        values = self.numbers(tag, 1)
        return int(values[0]) if values.size else default

    def text(self, tag: int) -> str:
        """An ASCII tag."""
        return self.raw(tag).split(b"\0")[0].decode("ascii", "replace")


def chain(data: Bytes) -> Iterator[Directory]:
    """The directories of a TIFF file or an EXIF block, one after the other.

    Raises `BadDirectory`: no header, a directory outside the file, a chain that comes back to itself, more than 1,000, more than
    100,000 tags in all of them and in their children.
    """
    order, big, place = _header(data)
    seen: set[int] = set()
    budget = Budget()
    while place:
        if place in seen:
            raise BadDirectory("its directories form a loop")
        if len(seen) >= DIRECTORY_LIMIT:
            raise BadDirectory(f"it has more than {DIRECTORY_LIMIT:,} directories")
        seen.add(place)
        directory = at(data, order, big, place, budget)
        yield directory
        place = directory.next


def children(parent: Directory, tag: int = SUB_DIRECTORIES) -> Iterator[Directory]:
    """The directories that a tag of `parent` points at. Raises `BadDirectory`."""
    for place in parent.numbers(tag, DIRECTORY_LIMIT):
        if place:
            yield at(parent.data, parent.order, parent.big, int(place), parent.budget)


def at(data: Bytes, order: str, big: bool, place: int, budget: Budget) -> Directory:
    """The directory at byte `place`. Raises `BadDirectory`."""
    count_code, entry_code, next_code = ("Q", "HHQ", "Q") if big else ("H", "HHI", "I")
    entry_bytes, inline = (20, 8) if big else (12, 4)
    if place >= len(data):
        raise BadDirectory(f"the directory at {place} lies beyond the file's end")
    try:
        (count,) = struct.unpack_from(order + count_code, data, place)
        first = place + struct.calcsize(order + count_code)
        if not 1 <= count <= _TAG_LIMIT:
            raise BadDirectory(f"the directory at {place} states {count} tags")
        budget.spend(count)
        (following,) = struct.unpack_from(order + next_code, data, first + count * entry_bytes)
        tags: dict[int, Field] = {}
        for entry in range(first, first + count * entry_bytes, entry_bytes):
            tag, kind, number = struct.unpack_from(order + entry_code, data, entry)
            if kind not in _TYPES:  # TIFF 6.0, p. 16: readers skip types that they do not know
                continue
            size = number * int(_TYPES[kind][1]) * (2 if kind in _PAIRS else 1)
            value = entry + entry_bytes - inline
            if size > inline:
                (value,) = struct.unpack_from(order + ("Q" if big else "I"), data, value)
            tags.setdefault(tag, Field(kind, number, value, size))
    except struct.error:
        raise BadDirectory(f"the directory at {place} lies beyond the file's end") from None
    return Directory(data, order, big, place, tags, following, budget)


def _header(data: Bytes) -> tuple[str, bool, int]:
    """Byte order, whether it is BigTIFF, and where the first directory lies."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(data[:2]))
    if order is None:
        raise BadDirectory("it has no TIFF header")
    try:
        (version,) = struct.unpack_from(order + "H", data, 2)
        if version == 43:
            offset_bytes, zero, place = struct.unpack_from(order + "HHQ", data, 4)
            if (offset_bytes, zero) != (8, 0):
                raise BadDirectory("its BigTIFF header is damaged")
            return order, True, place
        (place,) = struct.unpack_from(order + "I", data, 4)
    except struct.error:
        raise BadDirectory("it ends within its header") from None
    if version != 42 or not place:
        raise BadDirectory("it has no TIFF header")
    return order, False, place
