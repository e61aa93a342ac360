"""Is all of a PSD or PSB there, as far as its own lengths say?

A header, three sections that state their length, then the flattened picture, whose length follows from the header (raw) or from its
table of packed rows. Of a picture in ZIP the length is not known: no answer.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

Read = Callable[[int, int], bytes]

#: Signature, version, channels, height, width, bits; the colour mode does not matter.
_HEADER = struct.Struct(">4sH6xHIIH2x")
_SIGNATURE = b"8BPS"
_BITS = (1, 8, 16, 32)
_RAW, _PACKED = b"\0\0", b"\0\1"
#: Rows added up: of a longer table only a part, which says "cut" less often but never wrongly.
_MOST_ROWS = 1_000_000
_ROWS_AT_ONCE = 16_384

_CUT = "its PSD data is cut"


def unfinished(head: bytes, read: Read, size: int) -> str | None:
    """Why the PSD of `size` bytes that begins with `head` (26 bytes, unless it is shorter) looks unfinished; None also for another format."""
    if not head.startswith(_SIGNATURE):
        return None
    if len(head) < _HEADER.size:
        return _CUT
    _, version, channels, height, width, bits = _HEADER.unpack_from(head)
    if version not in (1, 2):
        return None
    large = version == 2
    place = _HEADER.size
    for length_bytes in (4, 4, 8 if large else 4):  # colour mode data, image resources, layers and masks
        stated = read(place, length_bytes)
        place += length_bytes + int.from_bytes(stated, "big")
        if len(stated) < length_bytes or place > size:
            return _CUT
    packing = read(place, 2)
    end, rows = place + 2, channels * height
    if packing == _RAW and bits in _BITS:
        end += rows * -(-width * bits // 8)
    elif packing == _PACKED:
        end = _end_of_rows(read, end, rows, struct.Struct(">I" if large else ">H"), size)
    return _CUT if end > size else None


def _end_of_rows(read: Read, place: int, rows: int, count: struct.Struct, size: int) -> int:
    """Where the packed rows end at the earliest, by the table of their lengths at `place`."""
    end = place + rows * count.size
    done = 0
    # Not beyond the file: a table that is cut need not be read.
    while done < min(rows, _MOST_ROWS) and end <= size:
        some = min(_ROWS_AT_ONCE, rows - done)
        table = read(place + done * count.size, some * count.size)
        end += sum(number for (number,) in count.iter_unpack(table[: len(table) // count.size * count.size]))
        done += some
    return end
