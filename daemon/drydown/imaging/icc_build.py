"""Writes ICC profiles: matrix and grey working spaces, and the profile of a printer with tables.

Version 2.4 (ICC.1:2001-04) unless asked, on purpose. Every driver, raster processor and viewer reads it. Its 16-bit Lab puts
a* = b* = 0 on the middle of the grid, where greys need a node. And its perceptual intent has no reference medium of its
own, so no engine has cause to rescale black unasked. A printer's profile is also written as version 4.2 (ICC.1:2004-10), the last that knows the
media black point tag; its tables stay `lut16Type`, which keeps version 2's Lab there too.

The same values in give the same bytes out: the date is handed in. It reads nothing and knows no printer.
"""

import hashlib
import struct
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Final, Literal

import numpy as np

from drydown.imaging.icc_tags import (
    Lut16,
    curve_tag,
    description_tag,
    localized_tag,
    matrix_tag,
    s15_fixed16,
    text_tag,
    xyz_tag,
)
from drydown.imaging.pcs import D50_XYZ, Floats

#: Encoded value 0..1 to light 0..1, element by element.
Transfer = Callable[[Floats], Floats]
ChromaticityXY = tuple[float, float]
Version = Literal[2, 4]

#: What a profile without a date of its own carries.
UNDATED: Final = datetime(2000, 1, 1, tzinfo=UTC)
COPYRIGHT: Final = "No copyright, use freely"

#: Cone responses of the Bradford adaptation (ICC.1:2010, annex E).
_BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_CURVE_POINTS: Final = 4096  # 16-bit linear light at this pitch is within 0.01 L* of the formula
_HEADER_BYTES: Final = 128
_VERSIONS: Final[dict[Version, int]] = {2: 0x02400000, 4: 0x04200000}
_PERCEPTUAL, _MEDIA_RELATIVE = 0, 1  # rendering intents in the header (6.1)
_FIXED: Final = 65536  # steps to one in s15Fixed16
_MATTE: Final = 1 << 1  # bit 1 of the device attributes (6.1)


def matrix_profile(
    *,
    description: str,
    primaries_xy: tuple[ChromaticityXY, ChromaticityXY, ChromaticityXY],
    white_xy: ChromaticityXY,
    transfer: Transfer,
    created: datetime = UNDATED,
) -> bytes:
    """An RGB working space (display class, PCS XYZ) from its primaries, white and transfer curve.

    The columns are the primaries scaled to add up to the white, adapted to D50 by Bradford (ICC.1:2010, annex E);
    `chad` says how. The white point tag is D50, as the adapted white is.
    """
    adaptation = adaptation_to_d50(white_xy)
    primaries = np.stack([_xyz(xy) for xy in primaries_xy], axis=1)
    columns = _adding_up_to_white(adaptation @ (primaries * np.linalg.solve(primaries, _xyz(white_xy))))
    curve = _curve(transfer)
    tags = {f"{channel}XYZ": xyz_tag(column) for channel, column in zip("rgb", columns.T, strict=True)}
    tags |= {f"{channel}TRC": curve for channel in "rgb"}
    return _working(b"RGB ", description, adaptation, tags, created)


def grey_profile(
    *,
    description: str,
    transfer: Transfer,
    white_xy: ChromaticityXY,
    created: datetime = UNDATED,
) -> bytes:
    """A grey working space (display class, PCS XYZ) from its transfer curve."""
    return _working(b"GRAY", description, adaptation_to_d50(white_xy), {"kTRC": _curve(transfer)}, created)


def printer_profile_bytes(
    *,
    description: str,
    paper_XYZ: Floats,
    tables: Mapping[str, Lut16],
    black_XYZ: Floats | None = None,
    measurements: str = "",
    matte: bool = False,
    version: Version = 2,
    created: datetime = UNDATED,
) -> bytes:
    """An RGB printer (output class, PCS Lab) from its tables, named by tag: A2B0-2, B2A0-2, gamt.

    `paper_XYZ` (3,) is the bare sheet under D50 against the perfect diffuser at Y = 1, `black_XYZ` (3,) the deepest black for
    `bkpt`, `measurements` the text that the profile was made from, for `targ`. The header names the
    media-relative intent. Tables that are the same are stored once. Version 4 carries a profile ID.
    """
    named = description_tag if version == 2 else localized_tag
    free = text_tag if version == 2 else localized_tag
    tags = {"desc": named(description), "cprt": free(COPYRIGHT), "wtpt": xyz_tag(paper_XYZ)}
    if black_XYZ is not None:
        tags["bkpt"] = xyz_tag(black_XYZ)
    tags |= {name: lut.tag() for name, lut in tables.items()}
    if measurements:
        tags["targ"] = text_tag(measurements)
    attributes = _MATTE if matte else 0
    header = _header(b"prtr", b"RGB ", b"Lab ", created, attributes, _MEDIA_RELATIVE, version)
    return _assemble(header, tags) if version == 2 else _identified(_assemble(header, tags))


def adaptation_to_d50(white_xy: ChromaticityXY) -> Floats:
    """Bradford matrix (3, 3) that takes XYZ seen under `white_xy` to the PCS' D50 (ICC.1:2010, annex E)."""
    ratio = (_BRADFORD @ D50_XYZ) / (_BRADFORD @ _xyz(white_xy))
    return np.asarray(np.linalg.inv(_BRADFORD) @ np.diag(ratio) @ _BRADFORD)


def _adding_up_to_white(columns: Floats) -> Floats:
    """Columns as s15Fixed16 can hold them. Rounded one by one they miss white by a unit, and white would be tinted."""
    held = np.round(columns * _FIXED) / _FIXED
    held[:, 1] += np.round(D50_XYZ * _FIXED) / _FIXED - held.sum(axis=1)
    return np.asarray(held)


def _xyz(xy: ChromaticityXY) -> Floats:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _curve(transfer: Transfer) -> bytes:
    return curve_tag(transfer(np.linspace(0, 1, _CURVE_POINTS)))


def _working(
    space: bytes, description: str, adaptation: Floats, tags: Mapping[str, bytes], created: datetime
) -> bytes:
    common = {
        "desc": description_tag(description),
        "cprt": text_tag(COPYRIGHT),
        "wtpt": xyz_tag(D50_XYZ),
        "chad": matrix_tag(adaptation),
    }
    return _assemble(_header(b"mntr", space, b"XYZ ", created, 0, _PERCEPTUAL), common | dict(tags))


def _identified(profile: bytes) -> bytes:
    """With its profile ID: MD5 over itself, flags, intent and the ID's own place taken as zero (ICC.1:2004-10, 7.2.16)."""
    blank = bytearray(profile)
    blank[44:48] = blank[64:68] = bytes(4)
    return profile[:84] + hashlib.md5(blank, usedforsecurity=False).digest() + profile[100:]


def _header(
    profile_class: bytes,
    space: bytes,
    pcs: bytes,
    created: datetime,
    attributes: int,
    intent: int,
    version: Version = 2,
) -> bytes:
    """The header without its first field, the size (6.1). No preferred engine, platform, maker or model."""
    date = struct.pack(">6H", *created.astimezone(UTC).timetuple()[:6])
    return b"".join(
        [
            bytes(4) + struct.pack(">I", _VERSIONS[version]) + profile_class + space + pcs + date + b"acsp",
            bytes(4 + 4 + 4 + 4) + struct.pack(">Q", attributes) + struct.pack(">I", intent),
            s15_fixed16(D50_XYZ) + bytes(4 + 44),
        ]
    )


def _assemble(header: bytes, tags: Mapping[str, bytes]) -> bytes:
    """Size, header, tag table and tag data, each datum on a boundary of four bytes and stored once (6.2)."""
    place = _HEADER_BYTES + 4 + 12 * len(tags)
    places: dict[bytes, int] = {}
    table, data = [struct.pack(">I", len(tags))], []
    for name, content in tags.items():
        if content not in places:
            places[content] = place
            data.append(content + bytes(-len(content) % 4))
            place += len(data[-1])
        table.append(name.encode("ascii") + struct.pack(">II", places[content], len(content)))
    return struct.pack(">I", place) + header + b"".join(table) + b"".join(data)
