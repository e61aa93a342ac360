"""Small files that mean to become large, long or something else than a picture; each with what must come of it."""

from __future__ import annotations

import functools
import io
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import psd_tools

from tests.imaging.read_makers import jpeg_bytes, png_bytes, png_chunk, psd_bytes, tagged
from tests.torture.hostile_kit import avif_bytes, good_files, heic_bytes, pillow_bytes, tiff_bytes

LIMIT_PX: Final = 1_000_000
#: Just below the limit, at it, and one pixel above; HEVC codes even sizes, and states what it codes.
_SIZES: Final = {"below": (999, 1001), "at": (1000, 1000), "above": (101, 9901)}
_EVEN: Final = {"below": (998, 1002), "at": (1000, 1000), "above": (102, 9804)}


@dataclass(frozen=True, slots=True)
class Bomb:
    """A file, and what its refusal must say; empty: it must be finished; None: either, as long as it ends well and in time."""

    name: str
    data: bytes
    says: str | None


def bombs() -> Iterator[Bomb]:
    """All of them, one after the other, because some take megabytes."""
    for family, make in _FLAT.items():
        for where, size in (_EVEN if family.endswith("heic") else _SIZES).items():
            says = "megapixels" if where == "above" else ""
            yield Bomb(f"{where}-{family}", make(np.full((*size, 3), 200, np.uint8)), says)
    for name, says, build in _OTHERS:
        yield Bomb(name, build(), says)


_heic = functools.partial(heic_bytes, quality=50)
_avif = functools.partial(avif_bytes, Q=50, effort=0)
_FLAT: Final[dict[str, Callable[[np.ndarray], bytes]]] = {
    "jpeg.jpg": jpeg_bytes,
    "png.png": png_bytes,
    "tiff.tif": lambda codes: tiff_bytes(codes, compression="lzw", rowsperstrip=64),
    "webp.webp": lambda codes: pillow_bytes("WEBP", codes, lossless=True, method=0),
    "avif.avif": _avif,
    "heic.heic": _heic,
    "psd.psd": lambda codes: psd_bytes(np.moveaxis(codes, 2, 0), mode=3),
}


@functools.cache
def _zeros(megabytes: int) -> bytes:
    """A zlib stream of a few kilobytes that becomes megabytes."""
    engine = zlib.compressobj(9)
    return b"".join(engine.compress(bytes(1 << 20)) for _ in range(megabytes)) + engine.flush()


_SMALL: Final = np.full((40, 40, 3), 200, np.uint8)


def _png_stating(width: int, height: int) -> bytes:
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    data = png_chunk(b"IDAT", zlib.compress(bytes(1000)))
    return b"\x89PNG\r\n\x1a\n" + header + data + png_chunk(b"IEND", b"")


def _png_too_much() -> bytes:
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 40, 40, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", _zeros(512)) + png_chunk(b"IEND", b"")


def _jpeg_segments(name: bytes, count: int) -> bytes:
    good = jpeg_bytes(_SMALL)
    segment = b"\xff" + name + struct.pack(">H", 65_002) + bytes(65_000)
    return good[:2] + segment * count + good[2:]


def _jpeg_profile() -> bytes:
    good = jpeg_bytes(_SMALL)
    parts = b"".join(
        b"\xff\xe2" + struct.pack(">H", 65_016) + b"ICC_PROFILE\0" + bytes([number, 255]) + bytes(65_000)
        for number in range(1, 256)
    )
    return good[:2] + parts + good[2:]


def _jpeg_scans() -> bytes:
    """A progressive picture that is refined for ever: each pass costs as much as the whole picture."""
    good = jpeg_bytes(np.full((1000, 1000, 3), 200, np.uint8), progressive=True)
    last = good.rindex(b"\xff\xda")
    return good[:-2] + good[last:-2] * 3000 + good[-2:]


def _jpeg_exif(directories: int) -> bytes:
    """An EXIF block whose sub-directories are the block itself, over and over."""
    return jpeg_bytes(_SMALL, exif=directory_maze(directories, tag=34665))


def directory_maze(count: int, *, tag: int) -> bytes:
    """A TIFF header and one directory with very many tags, of which one names `count` directories: this one again and again."""
    tags = 3000
    table = 8 + 2 + 12 * tags + 4
    entries = [struct.pack("<HHII", tag, 4, count, table)]
    entries += [struct.pack("<HHII", 50_000 + number, 4, 1, 0) for number in range(tags - 1)]
    places = struct.pack("<I", 8) * count
    return b"II*\0" + struct.pack("<IH", 8, tags) + b"".join(entries) + bytes(4) + places


def _tiff_chain(count: int) -> bytes:
    """A TIFF of so many directories of one tag."""
    size = 2 + 12 + 4
    out = [b"II*\0" + struct.pack("<I", 8)]
    for number in range(count):
        following = 8 + (number + 1) * size if number + 1 < count else 0
        out.append(struct.pack("<HHHII", 1, 254, 4, 1, 1) + struct.pack("<I", following))
    return b"".join(out)


def _tiff_overlapping() -> bytes:
    """A thousand directories of 4,096 tags each in 60 KB: they lie over each other, and each looks sound."""
    tags, step = 4096, 12
    head = b"II*\0" + struct.pack("<I", 8)
    room = bytearray(step * (tags + 1100) + 64)
    for number in range(0, len(room) - 12, 12):
        # read as a count, each begins a directory of 4,096 tags; read as tags, each is of an unknown type
        struct.pack_into("<H", room, number, tags)
    for number in range(1000):
        end = number * step + 2 + step * tags
        if end + 4 <= len(room):
            struct.pack_into("<I", room, end, 8 + (number + 1) * step)
    return head + bytes(room)


def _tiff_loop() -> bytes:
    return b"II*\0" + struct.pack("<I", 8) + struct.pack("<HHHII", 1, 254, 4, 1, 1) + struct.pack("<I", 8)


def _patched(good: bytes, tag: int, value: int) -> bytes:
    """A little-endian classic TIFF with the number of one of its tags replaced."""
    out = bytearray(good)
    (place,) = struct.unpack_from("<I", out, 4)
    (count,) = struct.unpack_from("<H", out, place)
    for entry in range(place + 2, place + 2 + 12 * count, 12):
        if struct.unpack_from("<H", out, entry)[0] == tag:
            kind = struct.unpack_from("<H", out, entry + 2)[0]
            struct.pack_into("<H" if kind == 3 else "<I", out, entry + 8, value)
    return bytes(out)


def _tiff_exploding() -> bytes:
    good = tiff_bytes(_SMALL, compression="zlib", rowsperstrip=40)
    packed = _zeros(512)
    out = _patched(_patched(good, 273, len(good)), 279, len(packed))
    return out + packed


def _tiff_tile(across: int) -> bytes:
    good = tiff_bytes(np.full((64, 64, 3), 200, np.uint8), tile=(64, 64), compression="lzw")
    return _patched(_patched(good, 322, across), 323, across)


def _heif_stating_less(make: Callable[[np.ndarray], bytes]) -> bytes:
    """Coded at 1,500 x 1,500, and stated as 100 x 100."""
    good = bytearray(make(np.full((1500, 1500, 3), 200, np.uint8)))
    at = good.index(b"ispe")
    while at >= 0:
        struct.pack_into(">II", good, at + 8, 100, 100)
        at = good.find(b"ispe", at + 4)
    return bytes(good)


def _box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content) + 8) + name + content


def _heif_extents() -> bytes:
    """20,000 items of 65,535 extents each that take no byte: 1,300 million in 120 KB."""
    item = struct.pack(">HHH", 1, 0, 65_535)
    table = b"\0\0\0\0" + b"\0\0" + struct.pack(">H", 20_000) + item * 20_000
    return _box(b"ftyp", b"heic\0\0\0\0mif1heic") + _box(b"meta", bytes(4) + _box(b"iloc", table))


def _heif_references() -> bytes:
    """References that read on over the ends of their own boxes: each small, all together beyond measure."""
    one = _box(b"dimg", struct.pack(">HH", 1, 65_535))
    inner = _box(b"iref", bytes(4) + one * 30_000)
    return _box(b"ftyp", b"heic\0\0\0\0mif1heic") + _box(b"meta", bytes(4) + inner)


def _heif_owners() -> bytes:
    """Tables of properties that read on over the ends of their own boxes."""
    one = _box(b"ipma", bytes(4) + struct.pack(">I", 20_000))
    inner = _box(b"iprp", one * 20_000)
    return _box(b"ftyp", b"heic\0\0\0\0mif1heic") + _box(b"meta", bytes(4) + inner)


def _psd_layer_exploding() -> bytes:
    """A layer whose ZIP data become 512 MB."""
    document: Any = psd_tools.PSDImage.open(io.BytesIO(good_files()["layers-zip.psd"]))
    document[0]._channels[0].data = _zeros(512)
    out = io.BytesIO()
    document._record.write(out)
    return out.getvalue()


def _psd_layer_large() -> bytes:
    """A layer that says it is 30,000 by 30,000."""
    good = bytearray(good_files()["layers-rle.psd"])
    (resources,) = struct.unpack_from(">I", good, 30)
    record = 34 + resources + 8 + 2
    struct.pack_into(">IIII", good, record, 0, 0, 30_000, 30_000)
    return bytes(good)


_ICC_LARGE: Final = 30 << 20
_OTHERS: Final[tuple[tuple[str, str | None, Callable[[], bytes]], ...]] = (
    ("sky.png", "megapixels", lambda: _png_stating(2**31 - 1, 2**31 - 1)),
    ("line.png", "megapixels", lambda: _png_stating(2**31 - 1, 1)),
    ("too-much.png", None, _png_too_much),
    ("profile.png", "profile", lambda: png_bytes(_SMALL, (b"iCCP", b"p\0\0" + _zeros(512)))),
    ("text.png", None, lambda: png_bytes(_SMALL, (b"zTXt", b"Title\0\0" + _zeros(512)))),
    ("texts.png", "", lambda: png_bytes(_SMALL, *[(b"tEXt", b"Title\0x")] * 60_000)),
    ("profile.jpg", "profile", _jpeg_profile),
    ("remarks.jpg", None, lambda: _jpeg_segments(b"\xfe", 200)),
    ("exif.jpg", None, lambda: _jpeg_segments(b"\xe1", 200)),
    ("fill.jpg", "", lambda: b"\xff\xd8" + b"\xff" * (16 << 20) + jpeg_bytes(_SMALL)[2:]),
    ("scans.jpg", None, _jpeg_scans),
    ("maze.jpg", "", lambda: _jpeg_exif(1000)),
    ("maze.tif", "damaged", lambda: directory_maze(100_000, tag=330)),
    ("chain.tif", "directories", lambda: _tiff_chain(100_000)),
    ("over-each-other.tif", "damaged", _tiff_overlapping),
    ("loop.tif", "loop", _tiff_loop),
    ("profile.tif", "profile", lambda: tiff_bytes(_SMALL, **tagged(bytes(_ICC_LARGE)))),
    ("xmp.tif", "", lambda: tiff_bytes(_SMALL, extratags=[(700, 1, _ICC_LARGE, bytes(_ICC_LARGE), True)])),
    ("exploding.tif", "unpack to more", _tiff_exploding),
    ("tile.tif", ".", lambda: _tiff_tile(65_520)),
    ("less.avif", ".", lambda: _heif_stating_less(_avif)),
    ("less.heic", ".", lambda: _heif_stating_less(_heic)),
    ("extents.heic", "damaged", _heif_extents),
    ("references.heic", "damaged", _heif_references),
    ("owners.heic", "damaged", _heif_owners),
    ("layer-exploding.psd", ".", _psd_layer_exploding),
    ("layer-large.psd", None, _psd_layer_large),
    ("gif.jpg", "GIF", lambda: pillow_bytes("GIF", _SMALL)),
    ("svg.jpg", "SVG", lambda: b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>'),
    ("pdf.jpg", "PDF", lambda: b"%PDF-1.7\n%%EOF\n"),
    ("eps.jpg", "PostScript", lambda: b"%!PS-Adobe-3.0 EPSF-3.0\n/x { (/etc/passwd) run } def x\n"),
    ("fits.jpg", "no picture of a kind", lambda: b"SIMPLE  =                    T".ljust(2880)),
)
