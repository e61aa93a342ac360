"""What every reader of a family of formats hands over, and what all of them need: the mapped file, sentences, caps.

A reader first *examines* the file as bytes and decodes nothing (`Found`); then `open_picture` calls `Found.load` for lazy pixels.
"""

from __future__ import annotations

import mmap
import os
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, Literal

from drydown.api import Note
from drydown.errors import Hold, Refusal
from drydown.imaging.icc import LIMIT_BYTES
from drydown.showing import shown

if TYPE_CHECKING:
    import pyvips

Access = Literal["sequential", "random"]
Colour = Literal["grey", "rgb", "cmyk"]
Bytes = mmap.mmap | bytes

CHANNELS: Final[dict[Colour, int]] = {"grey": 1, "rgb": 3, "cmyk": 4}
ZEROS: Final = (
    64 * 1024
)  #: so many zero bytes at the end of a compressed file are a copy that was never finished
SHORT_ZEROS: Final = 1024  #: so many at the end of coded picture data, which no coder writes
SECTOR: Final = 512  #: bytes of the smallest piece that a disk loses


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a container says of its picture, checked but not decoded.

    `load(access)` gives lazy pixels: `ushort`, CHANNELS[colour] bands and perhaps one of alpha, not premultiplied, lying as stored.
    It is called when the file is no longer mapped. `upright`: orientation (EXIF 2.32, 4.6.4 A; 1-8) that remains to be applied. `stored`: how it was coded, where `colour` does not
    tell (Lab is handed over as RGB).
    """

    format: str
    width: int
    height: int
    bits: int
    colour: Colour
    load: Callable[[Access], pyvips.Image]
    upright: int = 1
    icc: bytes | None = None
    stated: Stated | None = None
    notes: tuple[Note, ...] = ()
    layered: bool = False
    converted: bool = False  #: `icc` is the space that `load` converts to, not a profile of the file
    stored: str = ""
    #: looks for damage that decoding a part would not tell, once the size is known to be bearable: takes long; raises `Refusal`
    prove: Callable[[Source], None] | None = None


@dataclass(frozen=True, slots=True)
class Stated:
    """Colour that a file without an embedded profile states in another way."""

    words: str  #: how the file says it: `its sRGB chunk says sRGB`
    sure: bool  #: counts as tagged; otherwise the picture is untagged, and this is only a better first guess
    rgb: Callable[[], bytes]  #: the profile meant
    grey: Callable[[], bytes]  #: the same curve for a grey picture


@dataclass(frozen=True, slots=True)
class Source:
    """The file, mapped for examining, and what a reader may use."""

    path: Path
    data: mmap.mmap
    scratch: Path
    handle: int  #: file descriptor, for `peek`

    @property
    def name(self) -> str:
        """The file's name, fit for a sentence."""
        return shown(self.path.name)

    @property
    def size(self) -> int:
        """Bytes of the file."""
        return len(self.data)

    def peek(self, at: int, count: int) -> bytes:
        """Some bytes without mapping their page: for walks that touch a large file in very many places."""
        return os.pread(self.handle, count, at)

    def refusal(self, found: str, advice: str) -> Refusal:
        """`NAME found. Advice.`"""
        return Refusal(f"{self.name} {found}. {advice.rstrip('.')}.")

    def hold(self, found: str, advice: str) -> Hold:
        """The same as a `Hold`."""
        return Hold(f"{self.name} {found}. {advice.rstrip('.')}.")

    def cut(self, where: str) -> Refusal:
        """The file is not whole."""
        return self.refusal(
            f"is damaged or not whole: {where}", "Copy or export it again; the original is kept"
        )

    def check_tail(self) -> None:
        """Refuse a compressed file that ends in 64 KiB of zeros: room was set aside and never filled. No decoder notices."""
        tail = self.data[-ZEROS:]
        if len(tail) == ZEROS and not any(tail):
            raise self.cut(
                f"it ends in at least {ZEROS // 1024} KiB of zero bytes, as an unfinished copy does"
            )

    def check_coded_end(self, end: int, zeros: int = SHORT_ZEROS) -> None:
        """Refuse coded picture data that ends (at byte `end`) in so many zeros; decoders make pixels of some of them."""
        tail = self.data[max(0, end - zeros) : end]
        if len(tail) == zeros and not any(tail):
            raise self.cut("its picture data ends in zero bytes, as an unfinished copy does")

    def check_no_hole(self, start: int, end: int) -> None:
        """Refuse arithmetic-coded data with a sector of zeros anywhere: its coder would have spent 4,096 bits on saying the expected, thousands of blocks long."""
        if (at := self.data.find(bytes(SECTOR), start, end)) >= 0:
            raise self.cut(f"{SECTOR} bytes of its picture data are missing at byte {at:,}")

    def plain_end(self, end: int) -> tuple[Note, ...]:
        """What to say where pixels that are not coded end (at byte `end`) in 64 KiB of zeros: a picture that is black there has them too."""
        tail = self.data[max(0, end - ZEROS) : end]
        if len(tail) < ZEROS or any(tail):
            return ()
        text = "The last 64 KiB of pixels are zero: black, or a copy that was never finished. Look at the preview's lower edge."
        return (Note(text, "warning"),)


@contextmanager
def mapped(path: Path, scratch: Path) -> Iterator[Source]:
    """Map a file for examining. Raises `Refusal` for an empty file."""
    with path.open("rb") as file:
        if file.seek(0, 2) == 0:
            raise Refusal(f"{shown(path.name)} is empty. Copy or export it again.")
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            yield Source(path, data, scratch, file.fileno())


def copy_bytes(source: Source, to: IO[bytes], start: int = 0, end: int | None = None) -> None:
    """Append bytes of the source file to another file, within the kernel. Raises `Refusal` where the file has become shorter."""
    to.flush()
    with source.path.open("rb") as original:
        at, last = start, os.fstat(original.fileno()).st_size if end is None else end
        while at < last:
            done = os.sendfile(to.fileno(), original.fileno(), at, min(last - at, 1 << 30))
            if not done:
                raise source.cut("it ended while it was read")
            at += done
    to.seek(0, os.SEEK_END)


def inflated(packed: bytes, limit: int = LIMIT_BYTES) -> bytes:
    """Inflate a zlib stream (RFC 1950) of at most `limit` bytes. Raises ValueError where it is damaged, cut off or larger."""
    engine = zlib.decompressobj()
    try:
        out = engine.decompress(packed, limit)
    except zlib.error as fault:
        raise ValueError(str(fault)) from None
    if not engine.eof:
        raise ValueError(
            "it is cut off" if len(out) < limit else f"it unpacks to more than {limit / 1e6:.0f} MB"
        )
    return out
