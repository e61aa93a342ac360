"""HEVC as it lies in a file: units with their length before them (ISO/IEC 14496-15, 8.3.2). Decodes nothing.

A decoder patches over units that are damaged, and says nothing. A flipped bit cannot be seen here; a sector of zeros, a hole or a part of another file can:
no unit may hold 00 00 00, 00 00 01 or 00 00 02, for a coder puts a 03 between (ITU-T H.265, 7.4.2).
"""

from __future__ import annotations

from typing import Final

_FORBIDDEN: Final = (b"\0\0\0", b"\0\0\1", b"\0\0\2")
_HEADER_BYTES: Final = 2


def is_whole(coded: bytes, *, length_bytes: int) -> bool:
    """Whether the data of an item are whole units, one behind the other to the last byte, and none holds what no coder writes.

    `length_bytes`: of the length before each unit, 1 to 4, from the item's `hvcC`. Zeros at a unit's end are let pass: some writers leave them there.
    """
    at = 0
    while at < len(coded):
        start = at + length_bytes
        at = start + int.from_bytes(coded[at:start], "big")
        if at - start < _HEADER_BYTES or at > len(coded):
            return False
        unit = coded[start:at].rstrip(b"\0")
        if not unit or unit[0] & 0x80 or any(code in unit for code in _FORBIDDEN):
            return False
    return at > 0
