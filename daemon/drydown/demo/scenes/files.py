"""Picture files in 16 bits that Pillow does not write: RGB TIFF, and a layered PSD with its flattened picture.

libvips is kept out of the demo's own process, because a process that has evaluated a picture with it must not fork.
Layouts: TIFF 6.0 with the ICC's tag 34675 (ICC.1:2010, annex B.4); the published specification of the PSD format.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]

_SHORT, _LONG, _RATIONAL, _UNDEFINED = 3, 4, 5, 7


def write_tiff16(path: Path, pixels: Codes, icc: bytes, ppi: int) -> None:
    """An uncompressed little-endian RGB TIFF in strips of 64 rows; `pixels` has the shape (height, width, 3)."""
    height, width, _ = pixels.shape
    strip = 64
    counts = [min(strip, height - top) * width * 6 for top in range(0, height, strip)]
    offsets = np.cumsum([8, *counts[:-1]]).tolist()
    data_end = 8 + sum(counts)
    entries = [
        (256, _LONG, struct.pack("<I", width)),
        (257, _LONG, struct.pack("<I", height)),
        (258, _SHORT, struct.pack("<3H", 16, 16, 16)),
        (259, _SHORT, struct.pack("<H", 1)),
        (262, _SHORT, struct.pack("<H", 2)),
        (273, _LONG, struct.pack(f"<{len(offsets)}I", *offsets)),
        (274, _SHORT, struct.pack("<H", 1)),
        (277, _SHORT, struct.pack("<H", 3)),
        (278, _LONG, struct.pack("<I", strip)),
        (279, _LONG, struct.pack(f"<{len(counts)}I", *counts)),
        (282, _RATIONAL, struct.pack("<2I", ppi, 1)),
        (283, _RATIONAL, struct.pack("<2I", ppi, 1)),
        (284, _SHORT, struct.pack("<H", 1)),
        (296, _SHORT, struct.pack("<H", 2)),
        (34675, _UNDEFINED, icc),
    ]
    with path.open("wb") as file:
        file.write(struct.pack("<2sHI", b"II", 42, data_end))
        file.write(np.ascontiguousarray(pixels, "<u2").data)
        file.write(_directory(entries, data_end))


def _directory(entries: list[tuple[int, int, bytes]], at: int) -> bytes:
    """One image file directory at byte `at`, followed by the values that do not fit in their entries."""
    size = {_SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1}
    table, values = [struct.pack("<H", len(entries))], b""
    rest = at + 2 + 12 * len(entries) + 4
    for tag, kind, value in entries:
        field = value
        if len(value) > 4:
            field = struct.pack("<I", rest + len(values))
            values += value + b"\0" * (len(value) % 2)
        table.append(struct.pack("<HHI", tag, kind, len(value) // size[kind]) + field.ljust(4, b"\0"))
    return b"".join([*table, b"\0\0\0\0", values])


@dataclass(frozen=True)
class PsdLayer:
    """A named layer over the whole canvas: `pixels` (height, width, 3), `alpha` (height, width), None where it is solid."""

    name: str
    pixels: Codes
    alpha: Codes | None

    def box(self) -> tuple[int, int, int, int]:
        """Top, left, bottom, right of what is not empty; the whole canvas where that is nothing."""
        height, width, _ = self.pixels.shape
        if self.alpha is None or not self.alpha.any():
            return 0, 0, height, width
        rows, columns = np.flatnonzero(self.alpha.any(axis=1)), np.flatnonzero(self.alpha.any(axis=0))
        return int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1


def flatten(layers: list[PsdLayer]) -> Codes:
    """The layers laid over each other as a reader of normal layers does it: mixed in encoded values, then rounded."""
    flat = layers[0].pixels.copy()
    for layer in layers[1:]:
        if layer.alpha is None:
            flat = layer.pixels.copy()
            continue
        top, left, bottom, right = layer.box()
        part = np.s_[top:bottom, left:right]
        share = layer.alpha[part].astype(np.float32)[..., None] / np.float32(65535)
        below = flat[part].astype(np.float32)
        flat[part] = (below + share * (layer.pixels[part] - below) + np.float32(0.5)).astype(np.uint16)
    return flat


def write_psd16(path: Path, layers: list[PsdLayer], icc: bytes, ppi: int) -> None:
    """A 16-bit RGB PSD: profile, resolution, the layers from the bottom up, and the flattened picture, all plain."""
    height, width, _ = layers[0].pixels.shape
    resolution = struct.pack(">IHHIHH", ppi << 16, 1, 2, ppi << 16, 1, 2)
    resources = _resource(1005, resolution) + _resource(1039, icc)
    parts = _layer_info(layers)
    length = sum(len(part) for part in parts)
    padding = -length % 4
    with path.open("wb") as file:
        file.write(struct.pack(">4sH6xHIIHH", b"8BPS", 1, 3, height, width, 16, 3))
        file.write(struct.pack(">I", 0))
        file.write(struct.pack(">I", len(resources)) + resources)
        # 16-bit layers stand in a block of their own; the place for 8-bit ones and the global mask are empty.
        file.write(struct.pack(">III", 4 + 4 + 12 + length + padding, 0, 0))
        file.write(b"8BIMLr16" + struct.pack(">I", length + padding))
        for part in parts:
            file.write(part)
        file.write(b"\0" * padding)
        file.write(struct.pack(">H", 0))
        flat = flatten(layers)
        for channel in range(3):
            file.write(flat[..., channel].astype(">u2").tobytes())


def _resource(number: int, content: bytes) -> bytes:
    return struct.pack(">4sHHI", b"8BIM", number, 0, len(content)) + content + b"\0" * (len(content) % 2)


def _layer_info(layers: list[PsdLayer]) -> list[bytes]:
    records, data = [struct.pack(">h", len(layers))], []
    for layer in layers:
        top, left, bottom, right = layer.box()
        part = np.s_[top:bottom, left:right]
        planes = [(number, layer.pixels[part][..., number]) for number in range(3)]
        if layer.alpha is not None:
            planes.insert(0, (-1, layer.alpha[part]))
        record = struct.pack(">4iH", top, left, bottom, right, len(planes))
        for number, plane in planes:
            record += struct.pack(">hI", number, 2 + plane.size * 2)
            data.append(struct.pack(">H", 0))
            data.append(plane.astype(">u2").tobytes())
        label = layer.name.encode("ascii")
        name = (bytes([len(label)]) + label).ljust(-(-(1 + len(label)) // 4) * 4, b"\0")
        extra = struct.pack(">II", 0, 0) + name
        record += struct.pack(">4s4sBBBxI", b"8BIM", b"norm", 255, 0, 0, len(extra)) + extra
        records.append(record)
    return [*records, *data]
