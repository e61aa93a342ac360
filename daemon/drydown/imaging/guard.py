"""Makes what libraries only log count: a decoder that patches over damage says so in a warning, and nobody reads warnings.

Knows no format. What a library raises goes through untouched.
"""

from __future__ import annotations

import logging
import re
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from drydown.errors import Refusal

#: Tags that decide what a TIFF's pixels are; a warning about any other concerns a remark in the file.
_PIXEL_TAGS: Final = (
    "ImageWidth|ImageLength|BitsPerSample|Compression|PhotometricInterpretation|FillOrder|StripOffsets|StripByteCounts|SamplesPerPixel|"
    "RowsPerStrip|PlanarConfiguration|Predictor|ColorMap|Tile\\w+|InkSet|ExtraSamples|SampleFormat|JPEG\\w+|YCbCr\\w+|ReferenceBlackWhite"
)
#: Warnings that say nothing about the pixels, each with its reason.
ALLOWED: Final[tuple[re.Pattern[str], ...]] = (
    # A source profile has no table for the intent asked, and LittleCMS takes the perceptual one, as ICC.1:2022, 9.2 asks.
    re.compile(r"fallback to suggested"),
    # libtiff on remarks: page numbers, resolutions, texts, private tags. The reader has held the tags of the pixels against the file itself.
    re.compile(rf'incorrect count for field "(?!{_PIXEL_TAGS})'),
    re.compile(r"Unknown field with tag"),
    re.compile(rf'ASCII value for tag "(?!{_PIXEL_TAGS})'),
    re.compile(r"tags are not sorted in ascending order"),
    # An editor's layers or remarks, too large for libtiff: it goes without them, and so do we.
    re.compile(rf'Out of memory reading of "(?!{_PIXEL_TAGS})[^"]*"; tag ignored'),
    # libpng on chunks that decide no pixel; profile, stated colour and orientation are read and judged by the reader itself.
    re.compile(
        r"^VIPS: (iCCP|sRGB|gAMA|cHRM|cICP|eXIf|tEXt|zTXt|iTXt|tIME|pHYs|sBIT|bKGD|hIST|sPLT|oFFs|pCAL|sCAL)\b"
    ),
    # More texts in a PNG than libvips keeps; none is kept here anyway.
    re.compile(r"^VIPS: \d+ text chunks, only \d+ text chunks will be loaded"),
    # Channels beyond the colours without a word on what they are: the reader leaves them out and says so.
    re.compile(r"Defining non-color channels as ExtraSamples"),
)
_SHOWN = 3  # a damaged file can warn once a row
_WORDS = 120  # characters of a library's own words in a sentence
_NAMES = re.compile(r"\b\w+(Error|Warning|Exception): ")


def in_short(words: object) -> str:
    """A library's words on one line, without the names of its exceptions, cut where they begin to list figures."""
    plain = _NAMES.sub("", " ".join(str(words).split()))
    return plain if len(plain) <= _WORDS else plain[: _WORDS - 1].rstrip() + "…"


class _Collector(logging.Handler):
    """Keeps the warnings of a logger, from whatever thread they come (libvips decodes in threads of its own)."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.texts: list[str] = []
        self._guard = threading.Lock()

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        with self._guard:
            if text not in self.texts:
                self.texts.append(text)


@contextmanager
def strict_warnings(
    *loggers: str,
    what: str = "The picture",
    python_warnings: bool = False,
    allowed: tuple[re.Pattern[str], ...] = ALLOWED,
) -> Iterator[None]:
    """Fail where a library only warned: `Refusal` at the end of the block, with the library's words.

    `loggers`: names of loggers (default `pyvips`, where libvips' warnings arrive). `what`: how the sentence begins.
    `python_warnings`: what goes through Python's `warnings` counts as well, but for those about code rather than data.
    An exception of the block itself goes first, unchanged. Pixels are lazy: the block must hold the evaluation too.
    """
    with collected_warnings(*loggers) as said, _heard(python_warnings) as raised:
        yield
    said += [str(warning.message) for warning in raised]
    doubts = [text for text in said if not any(pattern.search(text) for pattern in allowed)]
    if doubts:
        more = f" (and {len(doubts) - _SHOWN} more)" if len(doubts) > _SHOWN else ""
        raise Refusal(
            f"{what} was read with a warning, and a warning can mean a wrong print: {'; '.join(map(in_short, doubts[:_SHOWN]))}{more}. "
            "Open it where it was made, look at it, and export it again."
        )


@contextmanager
def collected_warnings(*loggers: str) -> Iterator[list[str]]:
    """The warnings of the loggers (default `pyvips`) during the block, each once; they go nowhere else meanwhile."""
    collector = _Collector()
    heard = [logging.getLogger(name) for name in loggers or ("pyvips",)]
    before = [(logger.level, logger.propagate) for logger in heard]
    for logger in heard:
        logger.addHandler(collector)
        logger.propagate = False  # said once, by whoever asked
        if not logger.isEnabledFor(logging.WARNING):
            logger.setLevel(logging.WARNING)
    try:
        yield collector.texts
    finally:
        for logger, (level, propagate) in zip(heard, before, strict=True):
            logger.removeHandler(collector)
            logger.setLevel(level)
            logger.propagate = propagate


@contextmanager
def _heard(wanted: bool) -> Iterator[list[warnings.WarningMessage]]:
    if not wanted:
        yield []
        return
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        for about_code in (DeprecationWarning, PendingDeprecationWarning, ResourceWarning, ImportWarning):
            warnings.simplefilter("ignore", about_code)
        yield raised
