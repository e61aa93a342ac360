"""The foot of a test strip: what it is, when and by which light to judge it, and the whole picture with the region outlined; below it, what is the same on every strip.

It is set before the patches, because its height decides the room that is left for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
import pyvips

from drydown.api import Box
from drydown.geometry import RectMm
from drydown.imaging.lettering import paragraph, width_mm
from drydown.imaging.strip_control import PATCH_MM, Ribbon
from drydown.imaging.strip_page import Page, lettered

TITLE_CAP_MM: Final = 3.0
CAP_MM: Final = 2.0
LOUD_CAP_MM: Final = 2.5
LABEL_CAP_MM: Final = 1.8
STEP_MM: Final = 3.5  #: from one base line to the next
_AFTER_TITLE_MM: Final = 4.8
_APART_MM: Final = 6.0  #: between columns
_CLEAR_MM: Final = 3.5  #: between legend and ribbons
_BELOW_PATCHES_MM: Final = 5.0
_PICTURE_MM: Final = (48.0, 32.0)  #: the most that the small whole picture takes
_ALONE: Final = 0.25  #: of the room's width at most
_IN_A_ROW_MM: Final = 16.0  #: the most height of one of several
ROW_PICTURE_MM: Final = 24.0  #: the most width of one at the head of a row of patches
_LEAST_COLUMN_MM: Final = 60.0
_MOST_COLUMNS: Final = 3
_LABEL_ABOVE_MM: Final = 1.4
_LABEL_BELOW_MM: Final = 3.2
RIBBON_MM: Final = (
    LABEL_CAP_MM + _LABEL_ABOVE_MM + PATCH_MM + _LABEL_BELOW_MM
)  #: one row of ribbons with its words
_RIBBONS_APART_MM: Final = 5.0  #: side by side
_RIBBON_ROWS_APART_MM: Final = 2.0
_WRITE_MM: Final = 18.0  #: the least room to write in


@dataclass(frozen=True, slots=True, eq=False)
class Small:
    """A small whole picture, its size in pixels at full size, and the regions to outline on it, in those pixels."""

    pixels: pyvips.Image
    full_px: tuple[int, int]
    outlines: Sequence[Box]


@dataclass(frozen=True, slots=True)
class Line:
    """One statement; with `write`, room for a pen after it."""

    text: str
    write: bool = False
    loud: bool = False  #: as large as a patch's name: it must not be missed


@dataclass(frozen=True, slots=True)
class _Set:
    """A line where it will stand, from the legend's upper left corner."""

    text: str
    left: float
    base: float
    cap: float
    rule: tuple[float, float] | None = None  #: left end and length of the line to write on


@dataclass(frozen=True, slots=True)
class Foot:
    """The legend and the ribbons of one strip, set."""

    inside_mm: RectMm
    height_mm: float
    legend_mm: float  #: of it, without the ribbons
    lines: tuple[_Set, ...]
    pictures: tuple[
        tuple[str, RectMm], ...
    ]  #: where small pictures stand, from the legend's upper left corner, and the letter above each
    ribbons: tuple[tuple[Ribbon, float, float], ...] = field(
        default=()
    )  #: left and top from the upper left corner of the foot

    @property
    def left_for_patches(self) -> RectMm:
        """What the foot leaves of the room."""
        room = self.inside_mm
        return RectMm(room.left, room.top, room.width, room.height - self.height_mm - _BELOW_PATCHES_MM)

    @property
    def top_mm(self) -> float:
        """Where it begins on the sheet."""
        return self.inside_mm.bottom - self.height_mm


def foot(
    inside: RectMm,
    title: str,
    lines: Sequence[Line],
    pictures_px: Sequence[tuple[int, int]],
    ribbons: Sequence[Ribbon],
    *,
    least_mm: float = 0.0,
) -> Foot:
    """Set the foot in the width of `inside`: a small picture at the left and words beside it, or several in a row above the words; ribbons at the very
    end, so that their place is always the same.

    `pictures_px`: the pictures' full sizes; none where they stand elsewhere. `least_mm`: how high the legend is taken to be at least, where its room has been settled before its last word was known.
    """
    pictures = _pictures(pictures_px, inside.width)
    right = max((place.right for _, place in pictures), default=-_APART_MM)
    below = max((place.bottom for _, place in pictures), default=0.0)
    several = len(pictures) > 1
    words, tall = _words(
        title,
        lines,
        0.0 if several else right + _APART_MM,
        inside.width,
        below + _CLEAR_MM if several else 0.0,
    )
    legend = max(tall, least_mm, below)
    laid = []
    rows = _ribbon_rows(ribbons, inside.width)
    for number, row in enumerate(rows):
        left = 0.0
        for ribbon in row:
            laid.append((ribbon, left, legend + _CLEAR_MM + number * (RIBBON_MM + _RIBBON_ROWS_APART_MM)))
            left += len(ribbon.labels) * PATCH_MM + _RIBBONS_APART_MM
    below = len(rows) * (RIBBON_MM + _RIBBON_ROWS_APART_MM) - _RIBBON_ROWS_APART_MM
    height = legend + (_CLEAR_MM + below if rows else 0.0)
    return Foot(inside, height, legend, tuple(words), tuple(pictures), tuple(laid))


def prepare(page: Page, made: Foot) -> None:
    """Make the type of a foot ready while there is time; nothing is laid."""
    for word in made.lines:
        lettered(word.text, word.cap, page.ppi)
    for ribbon, _, _ in made.ribbons:
        for text in (ribbon.title, *ribbon.labels):
            lettered(text, LABEL_CAP_MM, page.ppi)


def draw(page: Page, made: Foot, smalls: Sequence[Small]) -> None:
    """Lay the foot on the page, with the pictures that stand in it."""
    left, top = made.inside_mm.left, made.top_mm
    for word in made.lines:
        page.type(word.text, left + word.left, top + word.base, word.cap)
        if word.rule is not None:
            page.rule(left + word.rule[0], top + word.base + 0.6, word.rule[1])
    for (letter, place), small in zip(made.pictures, smalls, strict=False):
        if letter:
            page.type(letter, left + place.left, top + place.top - 1.0, LABEL_CAP_MM)
        size = round(page.px(place.width)), round(page.px(place.height))
        page.lay(_outlined(small, size, page), *page.at(left + place.left, top + place.top))
    for ribbon, across, down in made.ribbons:
        _ribbon(page, ribbon, left + across, top + down)


def draw_at_row(page: Page, small: Small, left_px: int, patch: Box) -> None:
    """Lay a picture at the head of its row of patches, level with their upper edge."""
    width, height = _within(small.full_px, (page.px(ROW_PICTURE_MM), patch.height))
    page.lay(_outlined(small, (round(width), round(height)), page), left_px, patch.top)


def _pictures(pictures_px: Sequence[tuple[int, int]], width: float) -> list[tuple[str, RectMm]]:
    """One at the left, or all in a row of equal heights at most, each under its row's letter."""
    if len(pictures_px) == 1:
        most = min(_PICTURE_MM[0], _ALONE * width), _PICTURE_MM[1]
        return [("", RectMm(0.0, 0.0, *_within(pictures_px[0], most)))]
    each = (width + _APART_MM) / max(1, len(pictures_px))
    above = LABEL_CAP_MM + 1.0
    return [
        (chr(ord("A") + n), RectMm(n * each, above, *_within(size, (each - _APART_MM, _IN_A_ROW_MM))))
        for n, size in enumerate(pictures_px)
    ]


def _within(full_px: tuple[int, int], most: tuple[float, float]) -> tuple[float, float]:
    """The largest size of that shape."""
    scale = min(most[0] / full_px[0], most[1] / full_px[1])
    return full_px[0] * scale, full_px[1] * scale


def _words(
    title: str, lines: Sequence[Line], left: float, width: float, top: float
) -> tuple[list[_Set], float]:
    """The title and the lines in up to three columns, and how far down they reach."""
    room = width - left
    heads = _paragraph(title, TITLE_CAP_MM, room)
    set_ = [
        _Set(text, left, top + (1 + 1.5 * n) * TITLE_CAP_MM, TITLE_CAP_MM) for n, text in enumerate(heads)
    ]
    first = set_[-1].base + _AFTER_TITLE_MM
    columns = max(1, min(_MOST_COLUMNS, int((room + _APART_MM) // (_LEAST_COLUMN_MM + _APART_MM))))
    wide = (room - (columns - 1) * _APART_MM) / columns
    broken = [(line, _broken(line, wide)) for line in lines]
    heights = [len(texts) * _step(line) for line, texts in broken]
    deepest = 0.0
    for (line, texts), (column, down) in zip(broken, _columned(heights, columns), strict=True):
        at = left + column * (wide + _APART_MM)
        for number, text in enumerate(texts):
            base = first + down + number * _step(line)
            set_.append(_Set(text, at, base, _cap(line), _rule(line, text, texts[-1], at, wide)))
            deepest = max(deepest, base - first)
    return set_, first + deepest + 0.35 * CAP_MM


def _columned(heights: Sequence[float], columns: int) -> list[tuple[int, float]]:
    """Column and depth of each block, in order, in the lowest columns that hold them all."""
    places: list[tuple[int, float]] = []
    tries = sorted({sum(heights[a:b]) for a in range(len(heights)) for b in range(a + 1, len(heights) + 1)})
    for most in tries:  # the deepest column is some run of blocks
        places, column, down = [], 0, 0.0
        for height in heights:
            if down and down + height > most + 1e-9:
                column, down = column + 1, 0.0
            places.append((column, down))
            down += height
        if column < columns and max(heights) <= most + 1e-9:
            break
    return places


def _cap(line: Line) -> float:
    return LOUD_CAP_MM if line.loud else CAP_MM


def _step(line: Line) -> float:
    return STEP_MM * _cap(line) / CAP_MM


def _broken(line: Line, wide: float) -> tuple[str, ...]:
    return _paragraph(line.text, _cap(line), wide - (_WRITE_MM if line.write else 0.0))


@lru_cache(maxsize=128)  # a legend is set twice, before and after the region is known
def _paragraph(text: str, cap_mm: float, room_mm: float) -> tuple[str, ...]:
    return tuple(paragraph(text, cap_mm=cap_mm, room_mm=room_mm))


def _rule(line: Line, text: str, last: str, at: float, wide: float) -> tuple[float, float] | None:
    if not line.write or text != last:
        return None
    after = width_mm(text, _cap(line)) + 1.5
    return at + after, wide - after


def _ribbon_rows(ribbons: Sequence[Ribbon], width: float) -> list[list[Ribbon]]:
    """The ribbons side by side where they fit, else below each other; one too long for the room is left off."""
    rows: list[list[Ribbon]] = []
    reached = 0.0
    for ribbon in ribbons:
        long = len(ribbon.labels) * PATCH_MM
        if long > width:
            continue
        if rows and reached + _RIBBONS_APART_MM + long <= width:
            rows[-1].append(ribbon)
            reached += _RIBBONS_APART_MM + long
        else:
            rows.append([ribbon])
            reached = long
    return rows


def _ribbon(page: Page, ribbon: Ribbon, left: float, top: float) -> None:
    image, side = ribbon.image(page.ppi)
    page.type(ribbon.title, left, top + LABEL_CAP_MM, LABEL_CAP_MM)
    across, down = page.at(left, top + LABEL_CAP_MM + _LABEL_ABOVE_MM)
    page.lay(image, across, down)
    base = down + side + round(page.px(_LABEL_BELOW_MM - 0.4))
    for number, label in enumerate(ribbon.labels):
        free = side - page.px(width_mm(label, LABEL_CAP_MM))
        page.type_px(label, across + number * side + round(free / 2), base, LABEL_CAP_MM)


def _outlined(small: Small, size: tuple[int, int], page: Page) -> pyvips.Image:
    """The small picture in so many pixels, each region framed by a dark line with a light one on both sides: it is seen on any ground."""
    width, height = (max(1, side) for side in size)
    source = small.pixels
    pixels = source.resize(width / source.width, vscale=height / source.height, kernel="cubic")
    array = np.ndarray((pixels.height, pixels.width, 3), np.uint16, pixels.write_to_memory()).copy()
    scale = pixels.width / small.full_px[0], pixels.height / small.full_px[1]
    thin = max(1, round(page.px(0.15)))
    for box in small.outlines:
        left, top = round(box.left * scale[0]), round(box.top * scale[1])
        right, bottom = round((box.left + box.width) * scale[0]), round((box.top + box.height) * scale[1])
        for grown, ink in ((2 * thin, [65535] * 3), (thin, page.ink), (0, [65535] * 3)):
            _frame(array, (left - grown, top - grown, right + grown, bottom + grown), thin, ink)
    made = pyvips.Image.new_from_memory(
        np.ascontiguousarray(array).tobytes(), pixels.width, pixels.height, 3, "ushort"
    )
    return made.copy(interpretation="rgb16")


def _frame(
    array: np.ndarray[tuple[int, ...], np.dtype[np.uint16]],
    corners: tuple[int, int, int, int],
    thick: int,
    ink: Sequence[int],
) -> None:
    left, top, right, bottom = (max(0, at) for at in corners)
    array[top : top + thick, left:right] = ink
    array[max(0, bottom - thick) : bottom, left:right] = ink
    array[top:bottom, left : left + thick] = ink
    array[top:bottom, max(0, right - thick) : right] = ink
