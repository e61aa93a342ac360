"""The sections of a PSD or PSB: header, image resources, what the layers say about the flattened picture, and where that lies.

Every length is held against the file. It decodes no pixels.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from drydown.imaging.reading.found import Bytes

HEADER_BYTES: Final = 26
BITMAP, GREY, INDEXED, RGB, CMYK, MULTICHANNEL, DUOTONE, LAB = 0, 1, 2, 3, 4, 7, 8, 9

#: Image resources that matter.
OLD_CHANNEL_DISPLAY, CHANNEL_DISPLAY, PROFILE, TRANSPARENT_INDEX, VERSION_INFO = 1007, 1077, 1039, 1047, 1057
_SPOT: Final = 2
#: Blocks whose length takes 8 bytes in a PSB.
_LONG_BLOCKS: Final = {b"LMsk", b"Lr16", b"Lr32", b"Layr", b"Mt16", b"Mt32", b"Mtrn", b"Alph", b"FMsk", b"lnk2", b"FEid", b"FXid", b"PxSD"}  # fmt: skip
_MERGED_TRANSPARENCY: Final = {b"Mtrn", b"Mt16", b"Mt32"}
_DEEP_LAYERS: Final = {b"Lr16", b"Lr32", b"Layr"}
#: Of PSD and of PSB, by the format's published specification. Asked before anything is made by the row: a few bytes may say a billion.
_SIDE_PX_MAX: Final = {1: 30_000, 2: 300_000}


class BadPsd(ValueError):
    """The structure is damaged. The text is a reason in lower case without a full stop."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What a PSD says before its pixels begin, which is at byte `picture`."""

    large: bool  #: PSB
    channels: int
    width: int
    height: int
    bits: int
    mode: int
    palette: bytes
    resources: Mapping[int, bytes]
    layers: int
    transparent: bool  #: the first channel beyond the colours is the flattened picture's transparency
    picture: int

    @property
    def has_flattened(self) -> bool:
        """Whether the picture stored at the end is real; a file may state that it is only a blank."""
        version = self.resources.get(VERSION_INFO, b"")
        return len(version) < 5 or version[4] != 0

    @property
    def has_spot_inks(self) -> bool:
        """Whether a channel is an ink of its own."""
        new = self.resources.get(CHANNEL_DISPLAY, b"")[4:]
        old = self.resources.get(OLD_CHANNEL_DISPLAY, b"")
        return any(new[at + 12] == _SPOT for at in range(0, len(new) - 12, 13)) or any(
            old[at + 12] == _SPOT for at in range(0, len(old) - 12, 14)
        )


def parts_of(data: Bytes) -> Parts:
    """Read everything but the pixels. Raises `BadPsd`."""
    try:
        return _parts_of(data)
    except struct.error:
        raise BadPsd("it ends within its sections") from None


def _parts_of(data: Bytes) -> Parts:
    version, channels, height, width, bits, mode = struct.unpack_from(">4xH6xHIIHH", data)
    if version not in (1, 2) or not 1 <= channels <= 56 or not width or not height:
        raise BadPsd("its header is damaged")
    large = version == 2
    if max(width, height) > _SIDE_PX_MAX[version]:
        raise BadPsd(f"its header says {width} by {height} pixels, more than the format has")
    palette, at = _section(data, HEADER_BYTES, 4)
    resources, at = _section(data, at, 4)
    layers, at = _section(data, at, 8 if large else 4)
    count, transparent = _layers(data, layers, large)
    colours = bytes(data[palette[0] : palette[1]]) if palette[1] - palette[0] <= 1 << 20 else b""
    return Parts(
        large=large,
        channels=channels,
        width=width,
        height=height,
        bits=bits,
        mode=mode,
        palette=colours,
        resources=dict(_resources(data, *resources)),
        layers=abs(count),
        transparent=transparent,
        picture=at,
    )


def _section(data: Bytes, at: int, length_bytes: int) -> tuple[tuple[int, int], int]:
    (length,) = struct.unpack_from(">Q" if length_bytes == 8 else ">I", data, at)
    start = at + length_bytes
    if start + length > len(data):
        raise BadPsd(f"a section of {length:,} bytes at {at:,} runs beyond its {len(data):,} bytes")
    return (start, start + length), start + length


def _resources(data: Bytes, start: int, end: int) -> Iterator[tuple[int, bytes]]:
    """Number and content of the resources that matter. Each has a name and is padded to an even length."""
    wanted = {OLD_CHANNEL_DISPLAY, CHANNEL_DISPLAY, PROFILE, TRANSPARENT_INDEX, VERSION_INFO}
    at = start
    while at + 12 <= end:
        number, name_bytes = struct.unpack_from(">4xHB", data, at)
        at += 6 + name_bytes + 1 + (name_bytes + 1) % 2
        (length,) = struct.unpack_from(">I", data, at)
        at += 4
        if at + length > end:
            raise BadPsd(f"its resource {number} is cut off")
        if number in wanted:
            yield number, bytes(data[at : at + length])
        at += length + length % 2


def _layers(data: Bytes, section: tuple[int, int], large: bool) -> tuple[int, bool]:
    """How many layers there are, and whether the flattened picture has transparency: a negative count or a block says so."""
    start, end = section
    step = 8 if large else 4
    if end - start < step:
        return 0, False
    inner, at = _section(data, start, step)
    count = struct.unpack_from(">h", data, inner[0])[0] if inner[1] - inner[0] >= 2 else 0
    transparent = count < 0
    if at + 4 > end:
        return count, transparent
    _, at = _section(data, at, 4)  # the global layer mask
    for key, first, last in _blocks(data, at, end, large):
        if key in _MERGED_TRANSPARENCY:
            transparent = True
        elif key in _DEEP_LAYERS and last - first >= 2:
            (count,) = struct.unpack_from(">h", data, first)
            transparent = transparent or count < 0
    return count, transparent


def _blocks(data: Bytes, at: int, end: int, large: bool) -> Iterator[tuple[bytes, int, int]]:
    """Additional blocks after the layers: key, start and end. They are padded to 4; some writers do not, so the signature decides."""
    while at + 12 <= end:
        signature, key = struct.unpack_from(">4s4s", data, at)
        if signature not in (b"8BIM", b"8B64"):
            return
        wide = large and (key in _LONG_BLOCKS or signature == b"8B64")
        (length,) = struct.unpack_from(">Q" if wide else ">I", data, at + 8)
        first = at + (16 if wide else 12)
        if first + length > end:
            raise BadPsd(f"its {key.decode('latin-1')} block is cut off")
        yield key, first, first + length
        at = first + length
        at += -length % 4 if bytes(data[at : at + 4]) not in (b"8BIM", b"8B64") else 0
