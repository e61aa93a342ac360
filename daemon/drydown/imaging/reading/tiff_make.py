"""Writes small TIFF directories for libtiff to read: over the planes of a PSD, and one a plane where libvips reads no tiled planes.

No pixel is touched: a directory only says where bytes lie that are there already.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

SHORT, LONG, LONG8 = 3, 4, 16  # field types (TIFF 6.0, p. 15; BigTIFF)
_NUMPY: Final = {SHORT: "u2", LONG: "u4", LONG8: "u8"}

#: Tag, field type, values.
Entry = tuple[int, int, npt.NDArray[np.int64]]


def entry(tag: int, kind: int, *values: int) -> Entry:
    """One tag with a few numbers."""
    return tag, kind, np.array(values, dtype=np.int64)


def directory_bytes(entries: Sequence[Entry], *, order: str, big: bool, place: int, following: int) -> bytes:
    """A directory for byte `place` of a file, with its values after it; `following` is the place of the next one (0 = none).

    The length depends on the entries' counts and types only, so that it can be made twice: to learn where it ends, and for good.
    """
    count_code, entry_code, next_code = ("Q", "HHQ", "Q") if big else ("H", "HHI", "I")
    inline = 8 if big else 4
    at = place + struct.calcsize(order + count_code) + len(entries) * (20 if big else 12) + inline
    heads, outside = [], []
    for tag, kind, values in sorted(entries, key=lambda one: one[0]):
        content = values.astype(order + _NUMPY[kind]).tobytes()
        head = struct.pack(order + entry_code, tag, kind, values.size)
        if len(content) <= inline:
            heads.append(head + content.ljust(inline, b"\0"))
        else:
            heads.append(head + struct.pack(order + next_code, at))
            outside.append(content)
            at += len(content)
    return b"".join(
        [
            struct.pack(order + count_code, len(entries)),
            *heads,
            struct.pack(order + next_code, following),
            *outside,
        ]
    )


def header_bytes(*, order: str, big: bool, first: int) -> bytes:
    """The file's header, naming the place of the first directory."""
    mark = {"<": b"II", ">": b"MM"}[order]
    return mark + (
        struct.pack(order + "HHHQ", 43, 8, 0, first) if big else struct.pack(order + "HI", 42, first)
    )
