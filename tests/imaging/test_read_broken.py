"""A file that is cut off, zero-tailed or flipped never gives another picture without a word.

What can be told, and what cannot. A *cut* is always told, in every format. A *zero tail* (room set aside and never filled) is told in every
compressed format from 1 KiB up; where pixels are stored plainly (TIFF and PSD without compression) it looks like black: from 64 KiB up it is noted as a
warning, below that it cannot be told from a black edge. A *flipped byte* is told in PNG, which has check sums that its decoder looks at.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image
from read_makers import evaluated, jpeg_bytes, png_bytes, psd_bytes, said, vips_of
from test_read_heif import heic

from drydown.errors import Refusal
from drydown.imaging import working

HEIGHT, WIDTH = 300, 260
RANDOM = np.random.default_rng(7)
CODES = np.clip(
    np.add.outer(np.arange(HEIGHT), np.arange(WIDTH))[:, :, np.newaxis] / 3
    + RANDOM.normal(0, 12, (HEIGHT, WIDTH, 3)),
    0,
    255,
).astype(np.uint8)  # grain on a slope: no codec makes it small
DEEP = (CODES.astype(np.uint16) << 8) | RANDOM.integers(0, 256, CODES.shape, dtype=np.uint16)


def tiff(codes: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, codes, photometric="rgb", **options)  # type: ignore[arg-type]
    return out.getvalue()


def by_path(folder: Path, make: Callable[[Path], object]) -> bytes:
    path = folder / "made"
    make(path)
    return path.read_bytes()


def pillow(kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(CODES).save(out, kind, **options)  # type: ignore[arg-type]
    return out.getvalue()


PLANES = np.moveaxis(DEEP, 2, 0)
FILES: dict[str, Callable[[Path], bytes]] = {
    "jpeg": lambda _: jpeg_bytes(CODES, icc=working.srgb()),
    "jpeg-progressive": lambda _: jpeg_bytes(CODES, progressive=True),
    "png-8": lambda _: png_bytes(CODES),
    "png-16": lambda _: png_bytes(DEEP),
    "webp": lambda _: pillow("WEBP", quality=90),
    "webp-lossless": lambda _: pillow("WEBP", lossless=True),
    "avif": lambda folder: by_path(
        folder, lambda path: vips_of(CODES).heifsave(str(path), compression="av1", Q=90, effort=0)
    ),
    "heic": lambda folder: by_path(folder, lambda path: heic(path, CODES)),
    "tiff": lambda _: tiff(DEEP),
    "tiff-strips": lambda _: tiff(DEEP, rowsperstrip=9),
    "tiff-lzw": lambda _: tiff(DEEP, compression="lzw", rowsperstrip=9),
    "tiff-zip-tiles": lambda _: tiff(DEEP, compression="zlib", tile=(64, 64), predictor=True),
    "tiff-packbits": lambda _: tiff(CODES, compression="packbits", rowsperstrip=9),
    "tiff-jpeg": lambda _: tiff(CODES, compression="jpeg", tile=(64, 64)),
    "tiff-big": lambda _: tiff(DEEP, bigtiff=True, byteorder=">", planarconfig="contig"),
    "psd": lambda _: psd_bytes(PLANES, mode=3, bits=16),
    "psd-plain": lambda _: psd_bytes(PLANES, mode=3, bits=16, packed=False),
    "psb": lambda _: psd_bytes(PLANES, mode=3, bits=16, large=True, layers=3),
}
PLAIN = {"tiff", "tiff-strips", "tiff-big", "psd-plain"}


@pytest.fixture(scope="module", params=sorted(FILES))
def made(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, bytes, np.ndarray]:
    """Kind, whole file, whole picture."""
    folder = tmp_path_factory.mktemp("made")
    data = FILES[request.param](folder)
    path = folder / "a"
    path.write_bytes(data)
    return request.param, data, evaluated(path)[1]


@pytest.fixture
def broken(made: tuple[str, bytes, np.ndarray], tmp_path: Path) -> tuple[str, bytes, np.ndarray, Path]:
    """The same, and a path to put the damaged file at."""
    return *made, tmp_path / "a"


def outcome(path: Path, data: bytes, whole: np.ndarray) -> str:
    """`told` (refused, or failed while decoding), `same` pixels, `noted` with a warning, or `silent`."""
    path.unlink(missing_ok=True)  # a file that is cut to nothing and written again waits for the disk
    path.write_bytes(data)
    try:
        picture, seen = evaluated(path)
    except (Refusal, pyvips.Error):
        return "told"
    if seen.shape == whole.shape and (seen == whole).all():
        return "same"
    return "noted" if "are zero" in said(picture) else "silent"


def test_a_file_cut_anywhere_is_told(broken: tuple[str, bytes, np.ndarray, Path]) -> None:
    _, data, whole, path = broken
    places = np.unique(
        np.concatenate([np.linspace(1, len(data) - 1, 100), len(data) - np.arange(1, 13)]).astype(int)
    )
    seen = {int(place): outcome(path, data[:place], whole) for place in places}
    assert set(seen.values()) <= {"told", "same"}
    assert sum(one == "told" for one in seen.values()) >= len(places) - 13


def test_a_zero_tail_is_told_or_noted(broken: tuple[str, bytes, np.ndarray, Path]) -> None:
    kind, data, whole, path = broken
    lengths = [1040, 4096, 20_000, *(int(len(data) * share) for share in (0.1, 0.25, 0.5))]
    for length in lengths:
        seen = outcome(path, data[: len(data) - length] + bytes(length), whole)
        if kind not in PLAIN:
            assert seen == "told", length
        elif length >= 64 * 1024 + 4096:
            assert seen in ("told", "noted"), length


def test_a_zero_tail_as_long_as_the_room_set_aside_is_told(
    broken: tuple[str, bytes, np.ndarray, Path],
) -> None:
    """A whole file followed by 64 KiB of zeros: the copy set aside more than there was. Refused where compressed."""
    kind, data, whole, path = broken
    assert outcome(path, data + bytes(64 * 1024), whole) in (("told", "same") if kind in PLAIN else ("told",))


def test_a_lost_sector_is_told_where_the_coding_allows(
    broken: tuple[str, bytes, np.ndarray, Path],
) -> None:
    """512 bytes of zeros in the middle. Decoders of HEVC and VP8 make pixels of them without a word; codings that may hold zeros cannot tell."""
    kind, data, whole, path = broken
    for place in np.linspace(len(data) * 0.3, len(data) * 0.8, 9).astype(int):
        seen = outcome(path, data[:place] + bytes(512) + data[place + 512 :], whole)
        if kind in ("avif", "heic", "png-8", "png-16", "psd", "psb", "tiff-zip-tiles", "webp"):
            assert seen == "told", place


def test_a_flipped_byte_is_told_where_there_are_check_sums(
    broken: tuple[str, bytes, np.ndarray, Path],
) -> None:
    kind, data, whole, path = broken
    if kind not in ("png-8", "png-16"):
        return
    for place in np.linspace(len(data) // 10, len(data) * 9 // 10, 25).astype(int):
        flipped = data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :]
        assert outcome(path, flipped, whole) in ("told", "same")


def test_random_damage_never_ends_in_anything_but_a_sentence_or_a_picture(
    broken: tuple[str, bytes, np.ndarray, Path],
) -> None:
    _, data, whole, path = broken
    random = np.random.default_rng(11)
    for _ in range(40):
        damaged = bytearray(data)
        near = min(len(data), 4000)
        for place in random.integers(0, near if random.random() < 0.7 else len(data), random.integers(1, 5)):
            damaged[place] = random.integers(0, 256)
        outcome(path, bytes(damaged), whole)  # raises whatever is no Refusal and no libvips error
