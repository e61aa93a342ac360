"""Which format a file is of, told by its content. What is not on the list is refused by what it is, with the next move."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from drydown.api import Note
from drydown.imaging.reading.found import Source

Kind = Literal["jpeg", "png", "tiff", "webp", "heif", "psd"]

#: Endings of camera raw files: only endings, because many are TIFF inside and some are like nothing else.
# fmt: off
RAW_ENDINGS: Final = frozenset({
    "3fr", "ari", "arw", "bay", "cap", "cr2", "cr3", "crw", "cs1", "dcr", "dcs", "dng", "erf", "fff",
    "gpr", "iiq", "k25", "kdc", "mdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "ptx",
    "pxn", "raf", "raw", "rw2", "rwl", "rwz", "sr2", "srf", "srw", "x3f",
})
# fmt: on
_ENDINGS: Final[Mapping[Kind, frozenset[str]]] = {
    "jpeg": frozenset({"jpg", "jpeg", "jpe", "jfif"}),
    "png": frozenset({"png"}),
    "tiff": frozenset({"tif", "tiff"}),
    "webp": frozenset({"webp"}),
    "heif": frozenset({"heic", "heif", "hif", "avif"}),
    "psd": frozenset({"psd", "psb"}),
}
NAMES: Final[Mapping[Kind, str]] = {
    "jpeg": "JPEG",
    "png": "PNG",
    "tiff": "TIFF",
    "webp": "WebP",
    "heif": "HEIF",
    "psd": "PSD",
}

_EXPORT: Final = "Export it as a TIFF of 16 bits with its colour profile embedded"
RAW_ADVICE: Final = f"A raw file has to be developed first, and how is your decision. Develop it. {_EXPORT}"
RAW_FOUND: Final = "is a camera raw file, not a finished picture"

#: Beginnings of what is recognised only to be refused in words.
_REFUSED: Final = (
    (b"GIF8", "is a GIF, which holds 256 colours at most"),
    (b"BM", "is a BMP, which carries no colour profile that can be relied on"),
    (b"%PDF", "is a PDF document, not a photograph"),
    (b"%!PS", "is a PostScript document, not a photograph"),
    (b"\xc5\xd0\xd3\xc6", "is an EPS document, not a photograph"),
    (b"<svg", "is an SVG drawing, not a photograph"),
    (b"\xff\x0a", "is a JPEG XL picture, which cannot be read here"),
    (b"\0\0\0\x0cJXL \r\n\x87\n", "is a JPEG XL picture, which cannot be read here"),
    (b"\0\0\0\x0cjP  \r\n\x87\n", "is a JPEG 2000 picture, which cannot be read here"),
    (b"\xff\x4f\xff\x51", "is a JPEG 2000 picture, which cannot be read here"),
    (b"v/1\x01", "is an OpenEXR picture, whose values have no fixed white"),
    (b"PK\x03\x04", "is a ZIP archive"),
    (b"<!DOCTYPE html", "is a web page"),
    (b"<html", "is a web page"),
)
#: Beginnings that raw containers use in place of TIFF's or of their own.
_RAW_BEGINNINGS: Final = (b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"\0MRM", b"FOVb")
_RAW_BRANDS: Final = (b"crx ",)


def kind_of(source: Source) -> Kind:
    """The format, by content. Raises `Refusal` for anything that is not on the list."""
    head = bytes(source.data[:64])
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head.startswith(b"8BPS"):
        return "psd"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "webp"
    if head.startswith(_RAW_BEGINNINGS) or (head[4:8] == b"ftyp" and head[8:12] in _RAW_BRANDS):
        raise source.refusal(RAW_FOUND, RAW_ADVICE)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        if ending(source) in RAW_ENDINGS:
            raise source.refusal(RAW_FOUND, RAW_ADVICE)
        return "tiff"
    if head[4:8] == b"ftyp":
        return "heif"
    raise _refused(source, head)


def ending_note(source: Source, kind: Kind) -> tuple[Note, ...]:
    """A note where the name's ending says another format than the content."""
    said = ending(source)
    if said in _ENDINGS[kind]:
        return ()
    return (
        Note(
            f"The name ends in .{said}, and the content is {NAMES[kind]}; it was read as {NAMES[kind]}."
            if said
            else f"The name has no ending; the content is {NAMES[kind]}."
        ),
    )


def ending(source: Source) -> str:
    """The name's ending in lower case, without the dot."""
    return source.path.suffix.lower().removeprefix(".")


def _refused(source: Source, head: bytes) -> Exception:
    plain = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    for beginning, words in _REFUSED:
        if plain.lower().startswith(beginning.lower()):
            return source.refusal(words, _EXPORT)
    if plain.startswith(b"<?xml") and b"<svg" in bytes(source.data[:4096]):
        return source.refusal("is an SVG drawing, not a photograph", _EXPORT)
    if ending(source) in RAW_ENDINGS:
        return source.refusal(RAW_FOUND, RAW_ADVICE)
    if not any(head):
        return source.cut("it begins with zero bytes, as a copy does that was never filled")
    return source.refusal(
        "is no picture of a kind that is read here (JPEG, PNG, TIFF, WebP, AVIF, HEIC, PSD)", _EXPORT
    )
