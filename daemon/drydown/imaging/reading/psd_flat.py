"""The flattened picture of a PSD as a file that libtiff reads lazily.

A PSD stores it plane by plane, plain or in PackBits, big-endian, exactly as a planar TIFF does. So a directory is written in front of a copy of
these bytes, and the rest is libtiff's: fast, row by row, strict about short rows, and memory stays flat.
"""

from __future__ import annotations

import struct
import tempfile
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from drydown.imaging.reading.found import Bytes, Source, copy_bytes
from drydown.imaging.reading.psd_parts import BadPsd, Parts
from drydown.imaging.reading.tiff_make import LONG, LONG8, SHORT, directory_bytes, entry, header_bytes

PLAIN, PACKBITS = 0, 1
_TIFF_CODING: Final = {PLAIN: 1, PACKBITS: 32773}
_STRIP_BYTES: Final = 1 << 20
_HEADER_BYTES: Final = 16
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB = 0, 1, 2  # photometry; what the planes mean is for the caller to know
_CHUNKY, _PLANES_APART = 1, 2  # planar configuration; at 1 bit libvips takes a single plane only as chunky
_UNSPECIFIED: Final = 0  # extra samples
_UNSIGNED, _FLOAT = 1, 3  # sample formats


def coding_of(data: Bytes, parts: Parts) -> int:
    """How the flattened picture is stored: 0 plain, 1 PackBits, 2 and 3 ZIP. Raises `BadPsd` where there is none."""
    if parts.picture + 2 > len(data):
        raise BadPsd("it ends before its flattened picture")
    return int(struct.unpack_from(">H", data, parts.picture)[0])


def check_flat(data: Bytes, parts: Parts, coding: int) -> int:
    """Hold the flattened picture's length against the file; returns where it ends. Raises `BadPsd`."""
    offsets, counts = strips(data, parts, coding, parts.channels)
    end = int((offsets + counts).max())
    if end > len(data):
        raise BadPsd(f"its flattened picture should reach byte {end:,}, and it has {len(data):,}")
    if not counts.all():
        raise BadPsd("rows of its flattened picture are empty")
    return end


def strips(
    data: Bytes, parts: Parts, coding: int, planes: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Where the strips of the first `planes` channels lie, and their bytes: one row each in PackBits, about 1 MB each when plain."""
    first = parts.picture + 2
    if coding == PACKBITS:
        code = ">u4" if parts.large else ">u2"
        rows = parts.channels * parts.height
        table = bytes(data[first : first + rows * np.dtype(code).itemsize])
        if len(table) < rows * np.dtype(code).itemsize:
            raise BadPsd("it ends within the table of its flattened picture's rows")
        counts = np.frombuffer(table, dtype=code).astype(np.int64)
        offsets = first + len(table) + np.concatenate([[0], np.cumsum(counts)[:-1]])
        used = planes * parts.height
        return offsets[:used], counts[:used]
    tops = np.arange(0, parts.height, rows_per_strip(parts, coding, planes), dtype=np.int64)
    heights = np.diff(np.append(tops, parts.height))
    plane = first + np.arange(planes, dtype=np.int64)[:, np.newaxis] * parts.height * row_bytes(parts)
    return (plane + tops * row_bytes(parts)).ravel(), np.tile(heights * row_bytes(parts), planes)


def row_bytes(parts: Parts) -> int:
    """Bytes of one row of one channel."""
    return (parts.width * parts.bits + 7) // 8


def rows_per_strip(parts: Parts, coding: int, planes: int) -> int:
    """PackBits rows stand alone; plain rows are taken many at a time, but for grey and alpha, which libvips reads only row by row."""
    if coding == PACKBITS or planes == 2:
        return 1
    return max(1, min(parts.height, _STRIP_BYTES // row_bytes(parts)))


def write_tiff(
    source: Source,
    parts: Parts,
    coding: int,
    planes: int,
    offsets: npt.NDArray[np.int64],
    counts: npt.NDArray[np.int64],
) -> Path:
    """A planar BigTIFF in the scratch folder with the channels whose `strips` are given, byte for byte as they are stored."""
    start, end = int(offsets[0]), int((offsets + counts)[-1])
    with tempfile.NamedTemporaryFile(dir=source.scratch, suffix=".tif", delete=False) as out:
        out.write(_head(parts, coding, planes, offsets - start, counts))
        copy_bytes(source, out, start, end)
    return Path(out.name)


def _head(
    parts: Parts, coding: int, planes: int, offsets: npt.NDArray[np.int64], counts: npt.NDArray[np.int64]
) -> bytes:
    """Header and directory of a big-endian BigTIFF; `offsets` count from their end, where the pixels follow."""
    rows = rows_per_strip(parts, coding, planes)
    entries = [
        entry(256, LONG, parts.width),
        entry(257, LONG, parts.height),
        entry(258, SHORT, *[parts.bits] * planes),
        entry(259, SHORT, _TIFF_CODING[coding]),
        entry(262, SHORT, _RGB if planes > 2 else _WHITE_IS_ZERO if parts.bits == 1 else _BLACK_IS_ZERO),
        (273, LONG8, offsets),
        entry(277, SHORT, planes),
        entry(278, LONG, rows),
        (279, LONG8, counts),
        entry(284, SHORT, _PLANES_APART if planes > 1 else _CHUNKY),
        entry(339, SHORT, *[_FLOAT if parts.bits == 32 else _UNSIGNED] * planes),
    ]
    extra = planes - 3 if planes > 2 else planes - 1
    if extra:
        entries.append(entry(338, SHORT, *[_UNSPECIFIED] * extra))
    size = _HEADER_BYTES + len(
        directory_bytes(entries, order=">", big=True, place=_HEADER_BYTES, following=0)
    )
    entries = [(tag, kind, values + size if tag == 273 else values) for tag, kind, values in entries]
    return header_bytes(order=">", big=True, first=_HEADER_BYTES) + directory_bytes(
        entries, order=">", big=True, place=_HEADER_BYTES, following=0
    )
