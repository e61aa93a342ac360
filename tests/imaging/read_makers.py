"""Makes the files that the reading tests open: by other libraries than the reader's own, or byte by byte."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any, Literal

import imagecodecs
import numpy as np
import numpy.typing as npt
import pyvips
import tifffile
from PIL import Image

from drydown.imaging.guard import strict_warnings
from drydown.imaging.read import Picture, open_picture

Array = npt.NDArray[Any]
LIMIT = 400_000_000


def noise(height: int = 48, width: int = 64, bands: int = 3, bits: int = 16, seed: int = 1) -> Array:
    """Random codes over the whole range: any slip of a byte, a row or a channel shows."""
    dtype = np.uint16 if bits == 16 else np.uint8
    shape = (height, width, bands) if bands > 1 else (height, width)
    return np.random.default_rng(seed).integers(0, 2**bits, shape, dtype=dtype)


def scene(height: int = 48, width: int = 64, bands: int = 3) -> Array:
    """8-bit soft slopes that lossy codecs keep well, another in every corner."""
    y, x = np.mgrid[0:height, 0:width] / max(height, width)
    planes = [x, y, (x + y) / 2, 1 - x][:bands]
    return np.stack([np.rint(40 + 170 * plane) for plane in planes], axis=-1).astype(np.uint8)


def expanded(codes: Array) -> Array:
    """What 16 bits must hold, three axes."""
    whole = codes.astype(np.int64) * (257 if codes.dtype == np.uint8 else 1)
    return whole[:, :, np.newaxis] if whole.ndim == 2 else whole


def opened(path: Path, **how: Any) -> tuple[Picture, Array]:
    """Like `evaluated`, with codes that can be subtracted."""
    picture, codes = evaluated(path, **how)
    return picture, codes.astype(np.int64)


def evaluated(
    path: Path,
    *,
    untagged: Literal["srgb", "hold"] = "srgb",
    access: Literal["sequential", "random"] = "sequential",
    max_pixels: int = LIMIT,
) -> tuple[Picture, Array]:
    """Open and evaluate, as a job does: with libvips' warnings failing. Codes of 16 bits."""
    scratch = path.parent / "scratch"
    scratch.mkdir(exist_ok=True)
    with strict_warnings(what=path.name):
        picture = open_picture(path, untagged=untagged, access=access, max_pixels=max_pixels, scratch=scratch)
        pixels = picture.pixels
        codes = np.ndarray((pixels.height, pixels.width, pixels.bands), np.uint16, pixels.write_to_memory())
    return picture, codes


def said(picture: Picture) -> str:
    """All notes as one text."""
    return " ".join(note.text for note in picture.notes)


PROFILE_TAG = 34675  # of TIFF


def written(path: Path, array: Any, **options: Any) -> Path:
    """A TIFF by tifffile."""
    tifffile.imwrite(path, array, **options)
    return path


def tagged(icc: bytes) -> dict[str, Any]:
    """Options for `written` that embed a profile."""
    return {"extratags": [(PROFILE_TAG, 7, len(icc), icc, True)]}


def vips_of(array: Array) -> pyvips.Image:
    """A libvips picture of an array."""
    planes = array[:, :, np.newaxis] if array.ndim == 2 else array
    image = pyvips.Image.new_from_array(np.ascontiguousarray(planes))
    deep = array.dtype == np.uint16
    names = {1: "grey16" if deep else "b-w", 2: "grey16" if deep else "b-w", 3: "rgb16" if deep else "srgb"}
    return image.copy(interpretation=names.get(planes.shape[2], "rgb16" if deep else "srgb"))


def exif_block(orientation: int, *, colour_space: int = 0, interop: str = "", order: str = "<") -> bytes:
    """A TIFF-shaped EXIF block with an orientation and, if asked, a colour space and an interoperability index."""
    mark = {"<": b"II", ">": b"MM"}[order]
    main = [struct.pack(order + "HHIHxx", 274, 3, 1, orientation)]
    blocks = b""
    if colour_space or interop:
        main.append(struct.pack(order + "HHII", 34665, 4, 1, 0))
    place = 8 + 2 + 12 * len(main) + 4
    if colour_space or interop:
        main[-1] = struct.pack(order + "HHII", 34665, 4, 1, place)
        inner = [struct.pack(order + "HHIHxx", 40961, 3, 1, colour_space)]
        if interop:
            inner.append(struct.pack(order + "HHII", 40965, 4, 1, place + 2 + 12 * 2 + 4))
        blocks = struct.pack(order + "H", len(inner)) + b"".join(inner) + bytes(4)
        if interop:
            blocks += struct.pack(order + "H", 1)
            blocks += struct.pack(order + "HHI4s", 1, 2, 4, interop.encode() + b"\0") + bytes(4)
    head = mark + struct.pack(order + "HI", 42, 8) + struct.pack(order + "H", len(main))
    return head + b"".join(main) + bytes(4) + blocks


def jpeg_bytes(codes: Array, *, exif: bytes = b"", icc: bytes = b"", **options: Any) -> bytes:
    """A JPEG by Pillow."""
    out = io.BytesIO()
    extra = {"exif": b"Exif\0\0" + exif} if exif else {}
    if icc:
        extra["icc_profile"] = icc
    mode = "CMYK" if codes.ndim == 3 and codes.shape[2] == 4 else None
    Image.fromarray(codes, mode).save(out, "JPEG", quality=95, subsampling=0, **extra, **options)
    return out.getvalue()


def png_bytes(codes: Array, *chunks: tuple[bytes, bytes], palette: bytes = b"", bits: int = 0) -> bytes:
    """A PNG by hand: 8 or 16 bits from the array's type (or `bits` of packed rows), extra chunks before the picture data."""
    planes = codes[:, :, np.newaxis] if codes.ndim == 2 else codes
    height, width, bands = planes.shape
    kind = 3 if palette else {1: 0, 2: 4, 3: 2, 4: 6}[bands]
    depth = bits or (16 if codes.dtype == np.uint16 else 8)
    if depth >= 8:
        rows = [row.astype(f">u{depth // 8}").tobytes() for row in planes]
    else:
        spread = np.unpackbits(planes[:, :, 0].astype(np.uint8)[..., np.newaxis], axis=2)[..., -depth:]
        rows = [bytes(np.packbits(row.ravel())) for row in spread]
    packed = zlib.compress(b"".join(b"\0" + row for row in rows))
    parts = [(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, 0)), *chunks]
    if palette:
        parts.append((b"PLTE", palette))
    parts += [(b"IDAT", packed), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(name, content) for name, content in parts)


def png_chunk(name: bytes, content: bytes) -> bytes:
    """One chunk with its check sum."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def riff(*chunks: tuple[bytes, bytes]) -> bytes:
    """A WebP file of chunks."""
    body = b"".join(
        name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2) for name, content in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


def psd_bytes(
    planes: Array,
    *,
    mode: int,
    bits: int = 8,
    large: bool = False,
    packed: bool = True,
    layers: int = 0,
    resources: dict[int, bytes] | None = None,
    palette: bytes = b"",
    block: bytes = b"",
) -> bytes:
    """A PSD or PSB with a flattened picture and no real layers. `planes`: (channels, height, width), as stored. `layers`: the count stated."""
    channels, height, width = planes.shape
    if bits == 1:
        rows = [bytes(np.packbits(row)) for plane in planes for row in plane]
    else:
        dtype = {8: ">u1", 16: ">u2", 32: ">f4"}[bits]
        rows = [row.astype(dtype).tobytes() for plane in planes for row in plane]
    if packed:
        coded = [bytes(imagecodecs.packbits_encode(row)) for row in rows]
        counts = b"".join(struct.pack(">I" if large else ">H", len(row)) for row in coded)
        picture = struct.pack(">H", 1) + counts + b"".join(coded)
    else:
        picture = struct.pack(">H", 0) + b"".join(rows)
    held = b"".join(
        b"8BIM"
        + struct.pack(">HH", number, 0)
        + struct.pack(">I", len(content))
        + content
        + bytes(len(content) % 2)
        for number, content in (resources or {}).items()
    )
    long = ">Q" if large else ">I"
    info = struct.pack(">h", layers) if layers else b""
    section = b""
    if info or block:
        section = struct.pack(long, len(info)) + info + struct.pack(">I", 0) + block
    return b"".join(
        [
            b"8BPS" + struct.pack(">H6xHIIHH", 2 if large else 1, channels, height, width, bits, mode),
            struct.pack(">I", len(palette)) + palette,
            struct.pack(">I", len(held)) + held,
            struct.pack(long, len(section)) + section,
            picture,
        ]
    )
