"""TIFF 6.0, BigTIFF and layered TIFF: reads the directories itself, holds every strip and tile against the file, then lets libtiff decode.

libvips accepts a cut TIFF, takes any extra channel for transparency and a raw file's thumbnail for the picture, and rounds
associated alpha down; so all of that is decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pyvips

from drydown.api import Note
from drydown.imaging import working
from drydown.imaging.icc import LIMIT_BYTES
from drydown.imaging.reading import ifd
from drydown.imaging.reading import tiff_page as tiff
from drydown.imaging.reading.exif import from_directory
from drydown.imaging.reading.float import check_float
from drydown.imaging.reading.found import CHANNELS, SHORT_ZEROS, Access, Colour, Found, Source
from drydown.imaging.reading.kind import RAW_ADVICE, RAW_FOUND
from drydown.imaging.reading.lab import check_lab_profile, lab_note
from drydown.imaging.reading.tiff_load import load_page
from drydown.imaging.reading.tiff_page import Page, Tag
from drydown.imaging.reading.tiff_zip import check_streams

COLOURS: Final[Mapping[int, Colour]] = {
    tiff.WHITE_IS_ZERO: "grey",
    tiff.BLACK_IS_ZERO: "grey",
    tiff.RGB: "rgb",
    tiff.PALETTE: "rgb",
    tiff.SEPARATED: "cmyk",
    tiff.YCBCR: "rgb",
    tiff.CIE_LAB: "rgb",
    tiff.ICC_LAB: "rgb",
}
_STORED: Final = {
    tiff.PALETTE: "palette",
    tiff.YCBCR: "YCbCr",
    tiff.CIE_LAB: "CIELab",
    tiff.ICC_LAB: "ICCLab",
}
_REDUCED, _MASK = 1, 4  # bits of NewSubfileType (TIFF 6.0, p. 36)
_OLD_REDUCED: Final = 2  # SubfileType (p. 40)
_ZIP_ZEROS: Final = 16
_AGAIN: Final = "Export it as an RGB TIFF of 16 bits with its colour profile embedded"


def examine(source: Source) -> Found:
    """Check a TIFF and say what it holds. Raises `Refusal`."""
    try:
        number, directory = _only_page(source)
        page = tiff.page_of(directory)
        _check_kind(source, page)
        tiff.check_places(page, source.size)
        exif = from_directory(directory)
        icc = _profile(source, page)
    except ifd.BadDirectory as fault:
        raise source.cut(str(fault)) from None
    notes = [*exif.notes, *_tail_notes(source, page)]
    alpha, dropped = _alpha(source, page)
    if dropped:
        notes.append(_dropped_note(dropped))
    layered = Tag.LAYERS in directory
    if layered:
        notes.append(Note("The file has layers; its flattened picture was read."))
    lab = page.photometry in (tiff.CIE_LAB, tiff.ICC_LAB)
    if lab:
        notes.append(lab_note)

    def load(access: Access) -> pyvips.Image:
        return load_page(source, page, number, COLOURS[page.photometry], alpha, access)

    def prove(source: Source) -> None:
        try:
            check_streams(source, page)
        except ifd.BadDirectory as fault:
            raise source.cut(str(fault)) from None

    return Found(
        format="BigTIFF" if directory.big else "TIFF",
        width=page.width,
        height=page.height,
        bits=page.bits,
        colour=COLOURS[page.photometry],
        load=load,
        upright=exif.upright,
        icc=working.wide_gamut() if lab else icc,
        converted=lab,
        stated=exif.stated,
        notes=tuple(notes),
        layered=layered,
        stored=_STORED.get(page.photometry, ""),
        prove=prove,
    )


def _only_page(source: Source) -> tuple[int, ifd.Directory]:
    """The one full page and its number. Thumbnails and masks may stand beside it. Raises `Refusal`, `BadDirectory`."""
    full: list[tuple[int, ifd.Directory]] = []
    for number, directory in enumerate(ifd.chain(source.data)):
        _refuse_raw(source, directory)
        if not _secondary(directory):
            full.append((number, directory))
    if not full:
        raise source.refusal("holds only thumbnails or masks, no full picture", _AGAIN)
    if len(full) > 1:
        raise source.refusal(
            f"has {len(full)} pages", "Export the one page that is meant as a file of its own"
        )
    return full[0]


def _secondary(directory: ifd.Directory) -> bool:
    if Tag.NEW_SUBFILE_TYPE in directory:
        return bool(directory.number(Tag.NEW_SUBFILE_TYPE, 0) & (_REDUCED | _MASK))
    return directory.number(Tag.SUBFILE_TYPE, 1) == _OLD_REDUCED


def _refuse_raw(source: Source, main: ifd.Directory) -> None:
    """Camera raw by the DNG version, a colour filter array or a raw coding, also in sub-directories, where raw files keep it."""
    for directory in (main, *ifd.children(main)):
        if (
            tiff.DNG_VERSION in directory
            or directory.number(Tag.PHOTOMETRY, -1) in tiff.RAW_PHOTOMETRY
            or directory.number(Tag.COMPRESSION, 1) in tiff.RAW_CODINGS
        ):
            raise source.refusal(RAW_FOUND, RAW_ADVICE)


def _check_kind(source: Source, page: Page) -> None:
    """Refuse what cannot be printed as it is: floating point, signed, inks by name, unknown photometry or coding."""
    if page.photometry not in COLOURS:
        raise source.refusal(
            f"is a TIFF of a kind that is not read here (photometry {page.photometry})", _AGAIN
        )
    if page.sample_format == tiff.FLOAT:
        check_float(source, page.directory.raw(Tag.PROFILE) or None, page.bits)
    elif page.sample_format not in (1, 4) or page.bits not in (1, 2, 4, 8, 16):
        signed = "signed " if page.sample_format == 2 else ""
        raise source.refusal(f"has {signed}{page.bits} bits a channel", _AGAIN)
    if (slices := page.directory.number(Tag.DEPTH, 1)) > 1:
        raise source.refusal(f"is a volume of {slices} slices", "Export the one slice that is meant")
    if page.photometry == tiff.SEPARATED and page.directory.number(Tag.INK_SET, 1) != 1:
        raise source.refusal(
            "is separated into inks other than CMYK, and nothing says how they look together", _AGAIN
        )
    if page.compression not in tiff.READ_CODINGS:
        name = tiff.CODING_NAMES.get(page.compression, f"number {page.compression}")
        raise source.refusal(
            f"is compressed in a way that is not read here ({name})",
            "Save it with LZW, ZIP or no compression",
        )
    # libtiff takes every tag into memory, and we have taken away its limit for the sake of layered files (see `tiff_load`)
    if sum(field.bytes for field in page.directory.tags.values()) > source.size:
        raise ifd.BadDirectory("its tags take more bytes than the file has")
    stored = 1 if page.photometry == tiff.PALETTE else CHANNELS[COLOURS[page.photometry]]
    if page.samples < stored:
        raise ifd.BadDirectory(f"it has {page.samples} channels, and its kind needs {stored}")
    if page.photometry == tiff.PALETTE and page.samples > 1:
        raise source.refusal("is a palette picture with transparency", _AGAIN)
    if page.photometry in (tiff.CIE_LAB, tiff.ICC_LAB) and page.bits not in (8, 16):
        raise source.refusal(f"is a Lab picture of {page.bits} bits", _AGAIN)
    if page.photometry in (tiff.CIE_LAB, tiff.ICC_LAB) and tiff.ASSOCIATED in page.extra:
        raise source.refusal("is a Lab picture with its transparency already laid over black", _AGAIN)


def _alpha(source: Source, page: Page) -> tuple[int | None, int]:
    """Which band is alpha, and how many other extra bands are dropped.

    Only a channel declared as alpha is taken for transparency: an unspecified one is a saved selection or mask, and laying the
    picture over paper with it would cut holes.
    """
    if page.photometry == tiff.PALETTE:
        return None, 0
    colours = CHANNELS[COLOURS[page.photometry]]
    extras = page.samples - colours
    for place, kind in enumerate(page.extra[:extras]):
        if kind in (tiff.ASSOCIATED, tiff.UNASSOCIATED):
            return colours + place, extras - 1
    return None, extras


def _dropped_note(dropped: int) -> Note:
    many = f"{dropped} extra channels were" if dropped > 1 else "An extra channel was"
    return Note(
        f"{many} left out: not declared as transparency, so probably a saved selection.",
        "warning",
        figures={"channels": dropped},
    )


def _profile(source: Source, page: Page) -> bytes | None:
    icc = page.directory.raw(Tag.PROFILE) or None
    if icc and len(icc) > LIMIT_BYTES:
        raise source.refusal(f"carries a colour profile of {len(icc) / 1e6:.0f} MB", _AGAIN)
    if icc and page.photometry in (tiff.CIE_LAB, tiff.ICC_LAB):
        check_lab_profile(source, icc)
    return icc


def _tail_notes(source: Source, page: Page) -> tuple[Note, ...]:
    """Compressed pixels never end in zeros. Plain ones may, where the picture is black: that is only said."""
    last = int(np.argmax(page.offsets[: page.parts]))
    end = int(page.offsets[last] + page.counts[last])
    if page.compression != tiff.NOT_COMPRESSED:
        source.check_tail()
        # a ZIP stream ends in a check sum (RFC 1950, 2.2), which libtiff does not look at once it has its pixels
        source.check_coded_end(end, _ZIP_ZEROS if page.compression in tiff.ZIP_CODINGS else SHORT_ZEROS)
        return ()
    return source.plain_end(end)
