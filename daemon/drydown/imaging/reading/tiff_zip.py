"""The check sums of a TIFF's ZIP streams (RFC 1950, 2.2), which libtiff passes over once it has its pixels.

Without them a flipped bit is printed: as another value, and with a predictor as a streak to the edge of the strip or tile. Nothing is kept of what is unpacked.
"""

from __future__ import annotations

import zlib
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from drydown.imaging.reading.found import Source
from drydown.imaging.reading.ifd import BadDirectory
from drydown.imaging.reading.tiff_page import ZIP_CODINGS, Page

_PIECE: Final = 1 << 20
_SLACK: Final = 64 * 1024  #: bytes beyond the pixels that a writer's own rounding may add
_THREADS: Final = 2  # zlib works without the interpreter's lock


def check_streams(source: Source, page: Page) -> None:
    """Unpack every strip or tile and hold its check sum against it. Raises `BadDirectory`: damaged, or unpacking to more than its pixels.

    Costs about a second for 270 MB of pixels. A stream without its end is left to libtiff: whether that has its pixels is all that counts.
    """
    if page.compression not in ZIP_CODINGS:
        return
    across, down = page.part
    channels = 1 if page.apart else page.samples
    most = (across * channels * page.bits + 7) // 8 * down + _SLACK
    places = list(zip(page.offsets[: page.parts].tolist(), page.counts[: page.parts].tolist(), strict=True))

    def check(share: int) -> None:
        for start, count in places[share::_THREADS]:
            _check(source, start, start + count, most)

    with ThreadPoolExecutor(_THREADS) as threads:
        list(threads.map(check, range(_THREADS)))


def _check(source: Source, start: int, end: int, most: int) -> None:
    engine, at, seen, rest = zlib.decompressobj(), start, 0, b""
    while not engine.eof and (rest or at < end):
        if not rest:
            rest, at = source.data[at : min(end, at + _PIECE)], at + _PIECE
        try:
            seen += len(engine.decompress(rest, _PIECE))
        except zlib.error:
            raise BadDirectory(f"the check sum of its pixels at byte {start:,} is wrong") from None
        rest = engine.unconsumed_tail
        if seen > most:
            raise BadDirectory(f"its pixels at byte {start:,} unpack to more than there is room for")
