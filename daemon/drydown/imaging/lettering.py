"""Small type: a line of text as a mask of ink, at a cap height in mm.

The face is installed with the program, and laid out letter by letter without the system's help, so that a sheet looks the same on every machine. It
holds Latin with all its accents, Greek and Cyrillic. Knows nothing of sheets and profiles.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import font_source_sans_pro
import numpy as np
import numpy.typing as npt
import pyvips
from PIL import Image, ImageDraw, ImageFont

from drydown.api import MM_PER_INCH

Mask = npt.NDArray[np.uint8]  #: (height, width), 255 = ink

TRACKING_EM = 0.02  #: small type is set a little wider (common practice, no source)
SEPARATOR = "  ·  "
_OVERSAMPLING = 4  # letters are drawn so much larger and averaged: even spacing, no hinting at the pixel grid
_PROBE_PX = 1000
_MINUS = re.compile(r"(?<![^\s(\[])-(?=[.\d])")
_BALANCING = 12  # halvings of the line length: then it is even to less than a tenth of a mm


def spelt(text: str) -> str:
    """The text in letters that the face has, `?` for others; a letter that only lacks its sign loses that. A hyphen that begins a number becomes a minus.

    >>> spelt("Grève Ⅻ, 海, -10 CC")
    'Grève XII, ?, −10 CC'
    """
    return _spelt(text)


@lru_cache(maxsize=4096)
def _spelt(text: str) -> str:
    out = []
    composed = unicodedata.normalize("NFC", text)  # one sign where a letter and its accent came as two
    for letter in _MINUS.sub("−", composed):
        if letter.isspace():
            out.append(" ")
        elif _drawable(letter):
            out.append(letter)
        else:
            plain = unicodedata.normalize("NFKD", letter)
            out += [c if _drawable(c) else "?" for c in plain if not unicodedata.combining(c)]
    return "".join(out)


def width_mm(text: str, cap_mm: float) -> float:
    """How long a line becomes, in mm, without drawing it."""
    text = spelt(text)
    return (_end(text) if text else 0.0) * cap_mm / _cap_em()


def line(text: str, *, cap_mm: float, ppi: float) -> tuple[Mask, int]:
    """One line of text as a mask, and the row of its base line in it.

    `cap_mm`: height of the capitals on paper. The mask starts at the first letter's ink and is as high as the face's letters.
    """
    text = spelt(text)
    em_px = cap_mm / MM_PER_INCH * ppi * _OVERSAMPLING / _cap_em()
    font = _font(max(1.0, em_px))
    pen = [position * em_px for position in _pen(text)]
    ascent, descent = font.getmetrics()
    above, below = _whole(ascent), _whole(descent)
    drawn = Image.new("L", (_whole(pen[-1]) + _OVERSAMPLING, above + below), 0)
    brush = ImageDraw.Draw(drawn)
    start = font.getbbox(text[0], anchor="ls")[0] if text else 0
    for letter, left in zip(text, pen[:-1], strict=True):
        brush.text((left - start, above), letter, fill=255, font=font, anchor="ls")
    return _averaged(np.asarray(drawn)), above // _OVERSAMPLING


def wrapped(
    parts: Sequence[str], *, cap_mm: float, room_mm: float, lines: int
) -> tuple[list[str], list[str]]:
    """Parts joined into at most so many lines of at most `room_mm`, in order, and the parts that found no room.

    The lines are made about equally long. A part that is longer than a line is left out; the shorter ones after it still count.
    """
    widths = [width_mm(part, cap_mm) for part in parts]
    gap = width_mm(f"n{SEPARATOR}n", cap_mm) - 2 * width_mm("n", cap_mm)
    rows, left_out = _filled(widths, gap, room_mm, lines)
    low, high = 0.0, room_mm
    for _ in range(_BALANCING):
        middle = (low + high) / 2
        tried, without = _filled(widths, gap, middle, len(rows))
        if without == left_out:
            rows, high = tried, middle
        else:
            low = middle
    return [SEPARATOR.join(parts[i] for i in row) for row in rows], [parts[i] for i in left_out]


def _filled(
    widths: Sequence[float], gap: float, room: float, lines: int
) -> tuple[list[list[int]], list[int]]:
    """Which parts stand in which line, each line filled before the next is begun, and which stand in none."""
    rows: list[list[int]] = []
    left_out: list[int] = []
    reached = 0.0
    for index, width in enumerate(widths):
        if rows and reached + gap + width <= room:
            rows[-1].append(index)
            reached += gap + width
        elif len(rows) < lines and width <= room:
            rows.append([index])
            reached = width
        else:
            left_out.append(index)
    return rows, left_out


def paragraph(text: str, *, cap_mm: float, room_mm: float) -> list[str]:
    """A text broken at its spaces into lines of at most `room_mm`; a longer word stands alone."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_mm(longer, cap_mm) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def inked(mask: Mask, ink: Sequence[int], paper: Sequence[int] = (65535, 65535, 65535)) -> pyvips.Image:
    """A mask in a device's colours, 16 bits: `ink` where it is 255, `paper` where it is 0."""
    share = np.arange(256)[:, np.newaxis] / 255
    low, high = np.asarray(ink, dtype=np.float64), np.asarray(paper, dtype=np.float64)
    pixels = np.round(high + (low - high) * share).astype(np.uint16)[mask]
    made = pyvips.Image.new_from_memory(pixels.tobytes(), mask.shape[1], mask.shape[0], len(low), "ushort")
    # in libvips' own memory: with buffers of Python's to be kept, pyvips would look through all of them again at every piece that a sheet gets
    return made.copy(interpretation="rgb16" if len(low) == 3 else "grey16").copy_memory()


def _averaged(large: Mask) -> Mask:
    """A mask reduced by `_OVERSAMPLING` either way."""
    # line by line and column by column: many times quicker than the mean over two short axes
    parts = range(_OVERSAMPLING)
    lines = np.stack([large[part::_OVERSAMPLING] for part in parts]).sum(axis=0, dtype=np.uint16)
    total = np.stack([lines[:, part::_OVERSAMPLING] for part in parts]).sum(axis=0, dtype=np.uint16)
    return np.asarray(np.round(total / _OVERSAMPLING**2).astype(np.uint8))


@lru_cache(maxsize=4096)
def _pen(text: str) -> tuple[float, ...]:
    """Where each letter starts, in em, with kerning and tracking; the last number is where the line ends."""
    font = _font(_PROBE_PX)
    reached = [font.getlength(text[: n + 1]) - _length(letter) for n, letter in enumerate(text)]
    tracked = [px / _PROBE_PX + n * TRACKING_EM for n, px in enumerate(reached)]
    return (*tracked, _end(text))


@lru_cache(maxsize=4096)
def _end(text: str) -> float:
    """The last number of `_pen` alone: most lines are measured only, and never drawn."""
    font = _font(_PROBE_PX)
    start = font.getbbox(text[0], anchor="ls")[0] if text else 0
    end = font.getlength(text) - start if text else 0.0
    return end / _PROBE_PX + max(0, len(text) - 1) * TRACKING_EM


@lru_cache(maxsize=512)
def _length(letter: str) -> float:
    return _font(_PROBE_PX).getlength(letter)


def _whole(px: float) -> int:
    return -int(-px // _OVERSAMPLING) * _OVERSAMPLING


@lru_cache(maxsize=512)
def _drawable(letter: str) -> bool:
    if letter == " " or unicodedata.combining(letter) or not letter.isprintable():
        return letter == " "
    font = _font(64)
    return bytes(font.getmask(letter)) != bytes(font.getmask("\uffff"))


@lru_cache(maxsize=1)
def _cap_em() -> float:
    """Height of the capitals as a share of the em."""
    _, top, _, _ = _font(_PROBE_PX).getbbox("H", anchor="ls")
    return -float(top) / _PROBE_PX


@lru_cache(maxsize=32)
def _font(size_px: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(BytesIO(_face()), size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=1)
def _face() -> bytes:
    """The face's file, read once: a file that stays open for each size would count towards a job's limit."""
    return Path(font_source_sans_pro.SourceSansPro).read_bytes()
