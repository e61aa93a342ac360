"""Does a file's content look as if its end has not come yet? A copy may have its full size from the first second, filled with zeros.

A few formats say where they end; for the rest a tail of zeros is suspicious. Known by content, never by the name's suffix. The answer is "not yet",
never "bad": a good file may break these rules (a black border at the end of a raw TIFF), so the caller stops asking after a while and leaves the
judgement to the reader of pictures.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from drydown.intake import psd_end, tiff_end

#: `read(offset, count)` answers up to `count` bytes; fewer at the end of the file.
Read = Callable[[int, int], bytes]

#: How files of the formats below begin, all of them by their twelfth byte.
_BEGINNINGS = (
    b"\xff\xd8\xff",
    b"\x89PNG\r\n\x1a\n",
    b"II*\0",
    b"MM\0*",
    b"II+\0",
    b"MM\0+",
    b"RIFF",
    b"8BPS",
)
_KNOWN_BY = 12

_TAIL = 64 * 1024  #: how far from its end a file may carry padding or another program's additions


def unfinished(read: Read, size: int) -> str | None:
    """Why a file of `size` bytes looks unfinished, or None. Reads at most a few hundred kilobytes (of a PSD its table of rows, up to 4 MB); raises what `read` raises."""
    head = read(0, 32)
    tail = read(max(0, size - _TAIL), _TAIL)
    if not tail.strip(b"\0"):
        return "its end is still all zeros"
    if size < _KNOWN_BY and _may_become_known(head):
        return "only its first bytes are there"
    if head.startswith(b"\xff\xd8\xff"):
        return _jpeg(tail)
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return _png(tail)
    if head.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")):
        return tiff_end.unfinished(head, read, size)
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return _riff(head, size)
    if head[4:8] == b"ftyp":
        return _boxes(read, size)
    why = psd_end.unfinished(head, read, size)
    if why:
        return why
    # Also of a format that is known only by more than has been written over the zeros so far, and of a PSD whose pixels are still zeros.
    written = len(tail.rstrip(b"\0"))
    return "most of its end is still zeros" if len(tail) > 2 * written else None


def _may_become_known(head: bytes) -> bool:
    """The first few bytes of a format that is not recognised by so few: a program may close the file after any of them."""
    begun = any(beginning.startswith(head) for beginning in _BEGINNINGS)
    return begun or head.startswith((b"RIFF", b"\0\0\0"))  # the latter: the length of a box


def _jpeg(tail: bytes) -> str | None:
    """ITU-T T.81, B.1.1.3: EOI is FF D9. Cameras pad with zeros or append previews, so it may stand before the very end."""
    if tail.rstrip(b"\0").endswith(b"\xff\xd9") or b"\xff\xd9" in tail[-4096:]:
        return None
    return "the end mark of its JPEG data is missing"


def _png(tail: bytes) -> str | None:
    """W3C PNG, 11.2.5: the last chunk is IEND, of no length and so of a fixed checksum."""
    return None if b"\0\0\0\0IEND\xaeB\x60\x82" in tail else "the end mark of its PNG data is missing"


def _riff(head: bytes, size: int) -> str | None:
    """RFC 9649, 2.4: the size that follows `RIFF` counts from byte 8."""
    (rest,) = struct.unpack_from("<I", head, 4)
    return None if rest + 8 <= size else "its WebP data is cut"


def _boxes(read: Read, size: int) -> str | None:
    """ISO/IEC 14496-12, 4.2: boxes of a stated size, one after the other (HEIF, AVIF); size 0 reaches to the end."""
    place = 0
    for box in range(256):
        if place == size:
            return None if box > 1 else "the boxes behind its first are missing"
        header = read(place, 16)
        length = int.from_bytes(header[:4], "big")
        if length == 1 and len(header) == 16:
            length = int.from_bytes(header[8:], "big")
        elif length == 0 and len(header) >= 8:
            return None if header[4:8].strip(b"\0") else "its boxes are still empty"
        if length < 8 or place + length > size:
            return "its boxes are cut"
        place += length
    return None
