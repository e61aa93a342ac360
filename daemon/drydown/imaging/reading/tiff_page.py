"""One page of a TIFF as numbers: size, coding, and where its strips or tiles lie; all held against the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from drydown.imaging.reading.ifd import BadDirectory, Directory

#: Photometric interpretation (TIFF 6.0, p. 37, and technical notes).
WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, SEPARATED, YCBCR, CIE_LAB, ICC_LAB = 0, 1, 2, 3, 5, 6, 8, 9
RAW_PHOTOMETRY: Final = {32803: "colour filter array", 34892: "linear raw"}  # ISO 12234-2 (TIFF/EP), DNG
#: Codings that only camera raw files use.
RAW_CODINGS: Final = frozenset({32767, 32769, 34713, 34892, 65535})
DNG_VERSION: Final = 50706

NOT_COMPRESSED: Final = 1
#: Codings that libtiff in the pyvips wheel reads: none, three of fax, LZW, JPEG, deflate by two numbers, PackBits, WebP.
READ_CODINGS: Final = frozenset({1, 2, 3, 4, 5, 7, 8, 32946, 32773, 50001})
ZIP_CODINGS: Final = frozenset({8, 32946})
CODING_NAMES: Final = {6: "old-style JPEG", 34925: "LZMA", 50000: "Zstandard", 50002: "JPEG XL", 33003: "JPEG 2000", 33005: "JPEG 2000", 34712: "JPEG 2000", 34887: "LERC", 34892: "raw"}  # fmt: skip


UNSPECIFIED, ASSOCIATED, UNASSOCIATED = 0, 1, 2  # extra samples (TIFF 6.0, p. 31)
FLOAT: Final = 3  # sample format (p. 80)
CHUNKY, APART = 1, 2  # planar configuration (p. 38)


class Tag(IntEnum):
    """Tags that are read (TIFF 6.0, appendix A; DEPTH: slices of a volume; LAYERS: an editor's own data)."""

    NEW_SUBFILE_TYPE = 254
    SUBFILE_TYPE = 255
    WIDTH = 256
    LENGTH = 257
    BITS = 258
    COMPRESSION = 259
    PHOTOMETRY = 262
    STRIP_OFFSETS = 273
    SAMPLES = 277
    ROWS_PER_STRIP = 278
    STRIP_BYTES = 279
    PLANAR = 284
    PREDICTOR = 317
    TILE_WIDTH = 322
    TILE_LENGTH = 323
    TILE_OFFSETS = 324
    TILE_BYTES = 325
    INK_SET = 332
    EXTRA_SAMPLES = 338
    SAMPLE_FORMAT = 339
    DEPTH = 32997
    PROFILE = 34675
    LAYERS = 37724


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A page's structure. `extra` has one number a channel beyond the colours': 0 unspecified, 1 associated alpha, 2 unassociated."""

    directory: Directory
    width: int
    height: int
    bits: int
    samples: int
    photometry: int
    compression: int
    sample_format: int
    extra: tuple[int, ...]
    apart: bool  #: each channel for itself
    tiled: bool
    part: tuple[int, int]  #: width and height of a tile or strip
    predictor: int
    offsets: npt.NDArray[np.int64]
    counts: npt.NDArray[np.int64]

    @property
    def split(self) -> bool:
        """Whether its planes must be read one by one: libvips reads no tiles of separate planes, and grey with extra planes it
        reads wrongly without a word where a strip has more than one row (8.18.7)."""
        grey = self.photometry in (WHITE_IS_ZERO, BLACK_IS_ZERO)
        return self.samples > 1 and self.apart and (self.tiled or grey)

    @property
    def parts(self) -> int:
        """How many strips or tiles a page of this size has; the tables may hold more."""
        across, down = self.part
        return -(-self.width // across) * -(-self.height // down) * (self.samples if self.apart else 1)

    @property
    def raw_bytes(self) -> int:
        """Bytes that its pixels take uncompressed."""
        return self.height * ((self.width * self.samples * self.bits + 7) // 8)


def page_of(directory: Directory) -> Page:
    """Read a page's structure. Raises `BadDirectory` where it is contradictory or a part of it is missing."""
    width, height = directory.number(Tag.WIDTH, 0), directory.number(Tag.LENGTH, 0)
    if width < 1 or height < 1:
        raise BadDirectory("it states no size")
    bits = directory.numbers(Tag.BITS)
    formats = directory.numbers(Tag.SAMPLE_FORMAT)
    if (bits.size and (bits != bits[0]).any()) or (formats.size and (formats != formats[0]).any()):
        raise BadDirectory("its channels have different depths")
    samples = directory.number(Tag.SAMPLES, 1)
    if not 1 <= samples <= 64:
        raise BadDirectory(f"it states {samples} channels")
    tiled = Tag.TILE_OFFSETS in directory
    offsets = directory.numbers(Tag.TILE_OFFSETS if tiled else Tag.STRIP_OFFSETS)
    counts = directory.numbers(Tag.TILE_BYTES if tiled else Tag.STRIP_BYTES)
    page = Page(
        directory=directory,
        width=width,
        height=height,
        bits=int(bits[0]) if bits.size else 1,
        samples=samples,
        photometry=directory.number(Tag.PHOTOMETRY, -1),
        compression=directory.number(Tag.COMPRESSION, NOT_COMPRESSED),
        sample_format=int(formats[0]) if formats.size else 1,
        apart=directory.number(Tag.PLANAR, CHUNKY) == APART,
        tiled=tiled,
        part=_part_size(directory, tiled, width, height),
        predictor=directory.number(Tag.PREDICTOR, 1),
        extra=tuple(int(value) for value in directory.numbers(Tag.EXTRA_SAMPLES)),
        offsets=offsets,
        counts=counts,
    )
    if not tiled and not counts.size and page.compression == NOT_COMPRESSED and offsets.size == 1:
        return _with_count(page)  # allowed before TIFF 6.0, and still met
    return page


def check_places(page: Page, size: int) -> None:
    """Every strip or tile must be there and lie within the file's `size` bytes. Raises `BadDirectory`."""
    parts = page.parts
    what = "tiles" if page.tiled else "strips"
    if min(page.offsets.size, page.counts.size) < parts:
        raise BadDirectory(f"it has {min(page.offsets.size, page.counts.size):,} of {parts:,} {what}")
    offsets, counts = page.offsets[:parts], page.counts[:parts]
    missing = int(np.count_nonzero((counts <= 0) | (offsets <= 0)))
    if missing:
        raise BadDirectory(f"{missing:,} of its {parts:,} {what} are empty")
    beyond = int(np.count_nonzero((offsets > size) | (counts > size - offsets)))
    if beyond:
        raise BadDirectory(
            f"{beyond:,} of its {parts:,} {what} lie beyond the end (it has {size:,} bytes and should have at least {max(map(sum, zip(offsets.tolist(), counts.tolist(), strict=True))):,})"
        )
    if page.compression == NOT_COMPRESSED and int(counts.sum()) < page.raw_bytes:
        raise BadDirectory(
            f"it holds {int(counts.sum()):,} bytes of pixels, and {page.raw_bytes:,} are needed"
        )


def _part_size(directory: Directory, tiled: bool, width: int, height: int) -> tuple[int, int]:
    if tiled:
        across, down = directory.number(Tag.TILE_WIDTH, 0), directory.number(Tag.TILE_LENGTH, 0)
    else:
        across, down = width, min(directory.number(Tag.ROWS_PER_STRIP, height), height)
    if across < 1 or down < 1:
        raise BadDirectory("its tiles or strips have no size")
    return across, down


def _with_count(page: Page) -> Page:
    return replace(page, counts=np.array([page.raw_bytes], dtype=np.int64))
