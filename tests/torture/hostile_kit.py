"""Good small files of every family that the reader takes, and a seeded hand that damages them.

Everything is made in memory by other libraries than the reader's own, or byte by byte; nothing is fetched and nothing is kept.
"""

from __future__ import annotations

import functools
import io
import random
import struct
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pillow_heif
import psd_tools
import tifffile
from PIL import Image
from psd_tools.constants import Compression, Resource

from drydown.demo.paper import pearl_profile
from drydown.imaging import working
from tests.imaging.read_makers import (
    exif_block,
    jpeg_bytes,
    png_bytes,
    psd_bytes,
    riff,
    scene,
    tagged,
    vips_of,
)

HEIGHT, WIDTH = 44, 60
_GRAIN = np.random.default_rng(4).integers(-20, 21, (HEIGHT, WIDTH, 3))
_CODES = (scene(HEIGHT, WIDTH) + _GRAIN).astype(np.uint8)  # grain, so that no codec makes it small
_DEEP = _CODES.astype(np.uint16) * 257
_GREY = _CODES[:, :, 0]
_PLANES = np.moveaxis(_DEEP, 2, 0)
_ALPHA = np.dstack([_DEEP, np.full((HEIGHT, WIDTH), 60_000, np.uint16)])


def tiff_bytes(codes: Any, **options: Any) -> bytes:
    """A TIFF by tifffile."""
    out = io.BytesIO()
    tifffile.imwrite(out, codes, **({"photometric": "rgb"} | options))
    return out.getvalue()


def pillow_bytes(kind: str, codes: Any = _CODES, **options: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(codes).save(out, kind, **options)
    return out.getvalue()


def by_path(make: Callable[[str], object]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made"
        make(str(path))
        return path.read_bytes()


def heic_bytes(codes: Any, **options: Any) -> bytes:
    """A HEIC by pillow-heif, of 8-bit RGB codes."""
    height, width = codes.shape[:2]
    made = pillow_heif.from_bytes(mode="RGB", size=(width, height), data=codes.tobytes())
    return by_path(lambda path: made.save(path, **options))


def avif_bytes(codes: Any, **options: Any) -> bytes:
    """An AVIF by libvips."""
    return by_path(lambda path: vips_of(codes).heifsave(path, compression="av1", **options))


def layered(compression: Compression) -> bytes:
    """A PSD whose layers must be put together: it says that its flattened picture is a blank."""
    document: Any = psd_tools.PSDImage.new("RGB", (WIDTH, HEIGHT), depth=8)
    document.create_pixel_layer(Image.fromarray(_CODES), name="base", compression=compression)
    document.create_pixel_layer(
        Image.fromarray(_CODES[::2, ::2]), name="top", top=4, left=6, opacity=128, compression=compression
    )
    document.image_resources[Resource.VERSION_INFO].data = b"\0\0\0\1\0" + bytes(13)
    out = io.BytesIO()
    document.save(out)
    return out.getvalue()


@functools.cache
def profiles() -> dict[str, bytes]:
    """ICC profiles to damage: matrix and curves, a grey curve, tables of a printer."""
    return {
        "matrix": working.srgb(),
        "oprgb": working.oprgb(),
        "grey": working.grey_srgb(),
        "printer": pearl_profile(),
    }


@functools.cache
def good_files() -> dict[str, bytes]:
    """A name with a true ending -> a file that the reader takes. Some 35, of 1 to 60 KB."""
    icc = working.oprgb()
    rgb = tagged(icc)
    exif = exif_block(6, colour_space=1)
    zipped = {"compression": "zlib", "predictor": True}
    vips = vips_of(_CODES)
    floats = (_DEEP / 65535).astype(np.float32)
    return {
        "base.jpg": jpeg_bytes(_CODES, icc=icc, exif=exif),
        "progressive.jpg": jpeg_bytes(_CODES, progressive=True),
        "restarts.jpg": jpeg_bytes(_CODES, restart_marker_blocks=4),
        "grey.jpg": jpeg_bytes(_GREY),
        "eight.png": png_bytes(_CODES, (b"eXIf", exif), (b"sRGB", b"\0")),
        "sixteen.png": png_bytes(_ALPHA, (b"iCCP", b"p\0\0" + zlib.compress(icc))),
        "palette.png": png_bytes(_GREY // 16, palette=bytes(range(48)), bits=4),
        "numbers.png": png_bytes(_GREY, (b"gAMA", struct.pack(">I", 45455)), (b"tEXt", b"Title\0x")),
        "interlaced.png": by_path(lambda path: vips.pngsave(path, interlace=True)),
        "plain.tif": tiff_bytes(_DEEP, **rgb),
        "strips.tif": tiff_bytes(_DEEP, rowsperstrip=5, byteorder=">"),
        "lzw.tif": tiff_bytes(_DEEP, compression="lzw", predictor=True, rowsperstrip=9, **rgb),
        "zip-tiles.tif": tiff_bytes(_DEEP, tile=(16, 16), **zipped),
        "zip-strips.tif": tiff_bytes(_CODES, rowsperstrip=11, **zipped),
        "packbits.tif": tiff_bytes(_CODES, compression="packbits", rowsperstrip=9),
        "jpeg-tiles.tif": tiff_bytes(_CODES, compression="jpeg", tile=(16, 16)),
        "planar.tif": tiff_bytes(_PLANES, planarconfig="separate", rowsperstrip=7),
        "planar-tiles.tif": tiff_bytes(_PLANES, planarconfig="separate", tile=(16, 16)),
        "big.tif": tiff_bytes(_DEEP, bigtiff=True, byteorder=">"),
        "grey.tif": tiff_bytes(_DEEP[:, :, 0], photometric="minisblack"),
        "alpha.tif": tiff_bytes(_ALPHA, extrasamples=["unassalpha"]),
        "laid-over.tif": tiff_bytes(_ALPHA, extrasamples=["assocalpha"]),
        "float.tif": tiff_bytes(floats, **rgb),
        "lab.tif": tiff_bytes(_DEEP, photometric="cielab"),
        "flat.psd": psd_bytes(np.moveaxis(_CODES, 2, 0), mode=3, resources={1039: icc}),
        "deep.psd": psd_bytes(_PLANES, mode=3, bits=16),
        "unpacked.psd": psd_bytes(_PLANES, mode=3, bits=16, packed=False),
        "large.psb": psd_bytes(_PLANES, mode=3, bits=16, large=True, layers=3),
        "layers-rle.psd": layered(Compression.RLE),
        "layers-zip.psd": layered(Compression.ZIP),
        "lossy.webp": pillow_bytes("WEBP", quality=90, icc_profile=icc, exif=b"Exif\0\0" + exif),
        "lossless.webp": pillow_bytes("WEBP", np.dstack([_CODES, _GREY]), lossless=True),
        "eight.avif": avif_bytes(_CODES, Q=90),
        "eight.heic": heic_bytes(_CODES, quality=90, chroma=444),
    }


@dataclass(frozen=True, slots=True)
class Case:
    """A damaged file: its name, its bytes, the good file that it was made of, and how it was damaged."""

    name: str
    data: bytes
    made_of: str
    how: str


def cases(seed: int, count: int) -> Iterator[Case]:
    """`count` damaged files, the same for the same seed: the family in turn, the damage by chance, one in eight a damaged profile."""
    rng = random.Random(seed)
    files = good_files()
    names = sorted(files)
    for number in range(count):
        name = names[number % len(names)]
        if number % 8 == 7:
            data, how, name = _with_profile(rng)
        else:
            data, how = damaged(rng, files[name])
            if name.endswith(".png") and rng.random() < 0.6:
                data, how = with_check_sums(data), f"{how}, check sums set right"
        ending = (
            name.rpartition(".")[2] if rng.random() < 0.9 else rng.choice(["jpg", "tif", "png", "", "psd"])
        )
        yield Case(f"{number:06}.{ending}".rstrip("."), data, name, how)


_EXTREMES: Final = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)  # fmt: skip


def damaged(rng: random.Random, good: bytes) -> tuple[bytes, str]:
    """Damage in one to three ways; mostly near the beginning, where lengths and kinds stand."""
    data, said = bytearray(good), []
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        way = rng.choice(_WAYS)
        way(rng, data)
        said.append(way.__name__.strip("_"))
    return bytes(data), " + ".join(said)


def _place(rng: random.Random, data: bytearray) -> int:
    near = min(len(data), 600) if rng.random() < 0.6 else len(data)
    return rng.randrange(max(1, near))


def _flip_bits(rng: random.Random, data: bytearray) -> None:
    for _ in range(rng.randint(1, 6)):
        if data:
            data[_place(rng, data)] ^= 1 << rng.randrange(8)


def _set_run(rng: random.Random, data: bytearray) -> None:
    at, length = _place(rng, data), rng.choice((1, 2, 4, 16, 64, 512))
    fill = rng.choice((b"\0", b"\xff", None))
    data[at : at + length] = fill * length if fill else rng.randbytes(length)


def _cut(rng: random.Random, data: bytearray) -> None:
    del data[rng.randrange(max(1, len(data))) :]


def _splice(rng: random.Random, data: bytearray) -> None:
    other = good_files()[rng.choice(sorted(good_files()))]
    start = rng.randrange(len(other))
    at = _place(rng, data)
    data[at : at + rng.randint(0, 64)] = other[start : start + rng.randint(1, 400)]


def _extreme_length(rng: random.Random, data: bytearray) -> None:
    order, code = rng.choice("<>"), rng.choice("HIIQ")
    size = struct.calcsize(code)
    at = _place(rng, data)
    value = rng.choice((*_EXTREMES, len(data), len(data) - 1, len(data) + 1)) & (256**size - 1)
    if at + size <= len(data):
        struct.pack_into(order + code, data, at, value)


def _duplicate(rng: random.Random, data: bytearray) -> None:
    at, length = _place(rng, data), rng.choice((4, 12, 64, 300, 2000))
    data[at:at] = data[at : at + length] * rng.choice((1, 1, 2, 20))


def _remove(rng: random.Random, data: bytearray) -> None:
    at = _place(rng, data)
    del data[at : at + rng.choice((1, 2, 4, 12, 100))]


def _zero_tail(rng: random.Random, data: bytearray) -> None:
    length = rng.randrange(len(data) + 1)
    data[len(data) - length :] = bytes(length)


def _swap_head(rng: random.Random, data: bytearray) -> None:
    other = good_files()[rng.choice(sorted(good_files()))]
    length = rng.choice((2, 4, 8, 16, 64))
    data[:length] = other[:length]


_WAYS: Final = (_flip_bits, _flip_bits, _set_run, _cut, _splice, _extreme_length, _extreme_length, _duplicate, _remove, _zero_tail, _swap_head)  # fmt: skip


def with_check_sums(data: bytes) -> bytes:
    """A PNG with every chunk's check sum set right again, so that the damage is met behind the sums."""
    out, at = bytearray(data), 8
    while at + 12 <= len(out):
        (length,) = struct.unpack_from(">I", out, at)
        if at + 12 + length > len(out):
            break
        struct.pack_into(">I", out, at + 8 + length, zlib.crc32(bytes(out[at + 4 : at + 8 + length])))
        at += 12 + length
    return bytes(out)


def _with_profile(rng: random.Random) -> tuple[bytes, str, str]:
    """A sound picture with a damaged profile in it, in one of four containers."""
    name = rng.choice(sorted(profiles()))
    icc, how = damaged(rng, profiles()[name])
    codes = _GREY if name == "grey" else _CODES
    how = f"profile {name}: {how}"
    match rng.randrange(4):
        case 0 if len(icc) < 60_000:
            return jpeg_bytes(codes, icc=icc), how, "profile.jpg"
        case 1:
            return png_bytes(codes, (b"iCCP", b"p\0\0" + zlib.compress(icc))), how, "profile.png"
        case 2 if codes.ndim == 3:
            plain = good_files()["lossless.webp"]
            picture = plain[plain.index(b"VP8L") + 8 :]
            size = struct.pack("<I", WIDTH - 1)[:3] + struct.pack("<I", HEIGHT - 1)[:3]
            chunks = (b"VP8X", b"\x30\0\0\0" + size), (b"ICCP", icc), (b"VP8L", picture)
            return riff(*chunks), how, "profile.webp"
    kind = "minisblack" if codes.ndim == 2 else "rgb"
    return tiff_bytes(codes, photometric=kind, **(tagged(icc) if icc else {})), how, "profile.tif"
