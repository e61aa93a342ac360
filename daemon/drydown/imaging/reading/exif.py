"""What an EXIF block says that a print depends on: which way up, and which colour space the camera meant. Nothing else is read."""

from __future__ import annotations

from dataclasses import dataclass

from drydown.api import Note
from drydown.imaging.reading import ifd
from drydown.imaging.reading.found import Stated
from drydown.imaging.reading.stated import oprgb, srgb

_PREFIX = b"Exif\0\0"  # EXIF 2.32, 4.7.2; some writers put it into PNG and WebP too


@dataclass(frozen=True, slots=True)
class Exif:
    """Orientation 1-8 (EXIF 2.32, 4.6.4 A) and the colour space stated, if any."""

    upright: int = 1
    stated: Stated | None = None
    notes: tuple[Note, ...] = ()


def read_exif(block: bytes | None) -> Exif:
    """Read an EXIF block. A damaged one is no reason to refuse a sound picture: it is noted, and the picture lies as stored."""
    if not block:
        return Exif()
    try:
        return from_directory(next(ifd.chain(block.removeprefix(_PREFIX))))
    except (ifd.BadDirectory, StopIteration):
        return Exif(
            notes=(
                Note("The EXIF block is damaged: look whether the picture is the right way up.", "warning"),
            )
        )


def from_directory(main: ifd.Directory) -> Exif:
    """The same from a main directory (a TIFF file's own). Raises `BadDirectory`."""
    upright = main.number(ifd.ORIENTATION, 1)
    notes: tuple[Note, ...] = ()
    if not 1 <= upright <= 8:
        notes = (
            Note(f"Orientation {upright} is none of the eight; the picture is taken as upright.", "warning"),
        )
        upright = 1
    return Exif(upright, _stated(main), notes)


def _stated(main: ifd.Directory) -> Stated | None:
    """ColorSpace 1 is sRGB; uncalibrated with interoperability index R03 is opRGB (EXIF 2.32, 4.6.5 B; DCF 2.0, 5.6)."""
    try:
        for details in ifd.children(main, ifd.EXIF_DIRECTORY):
            if details.number(ifd.COLOUR_SPACE, 0) == 1:
                return srgb("its EXIF block says sRGB", sure=False)
            indices = ifd.children(details, ifd.INTEROP_DIRECTORY)
            if any(index.text(ifd.INTEROP_INDEX) == "R03" for index in indices):
                return oprgb("its EXIF block says opRGB (DCF option file)", sure=False)
    except ifd.BadDirectory:  # a hint that cannot be read is no hint
        pass
    return None
