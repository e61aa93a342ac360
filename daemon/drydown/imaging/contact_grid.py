"""How many pictures stand on a page of a contact sheet, and where: one even grid for all its pages.

Pure arithmetic in millimetres. Knows no pixels and no type; how high a caption becomes in a column it is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple

from drydown.api import SizeMm

GUTTER_MM: Final = 7.0  #: between two columns
ROW_GAP_MM: Final = 8.0  #: from a caption to the pictures below it
#: Longer edge that a picture has at least: that of a frame of 35 mm film (24 x 36 mm: ISO 1007, from memory), which contact sheets have always shown.
LEAST_MM: Final = 36.0
LEAST_COLUMNS: Final = 2  #: two pictures stand side by side, not one filling the page
LANDSCAPE: Final = 2 / 3  #: height of a picture by its width where no picture tells another


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of one size, row by row from the upper left corner of their room: a frame for the picture, and below it the caption."""

    pages: int
    columns: int
    rows: int
    frame_mm: SizeMm
    caption_mm: float

    def place(self, index: int) -> tuple[float, float]:
        """Left and top of the `index`-th cell of a page, counted from 0, in mm from the corner of the room."""
        row, column = divmod(index, self.columns)
        across = self.frame_mm.width + GUTTER_MM
        down = self.frame_mm.height + self.caption_mm + ROW_GAP_MM
        return column * across, row * down

    def shares(self, count: int) -> list[int]:
        """How many of `count` pictures stand on each page: as even as whole rows allow, full pages first."""
        rows = math.ceil(count / self.columns)
        even, more = divmod(rows, self.pages)
        left, shares = count, []
        for page in range(self.pages):
            share = min(left, (even + (page < more)) * self.columns)
            shares.append(share)
            left -= share
        return shares


def grid(count: int, room: SizeMm, ratios: Sequence[float], caption_mm: Callable[[float], float]) -> Grid:
    """The grid with the largest pictures on the fewest pages on which each keeps a longer edge of `LEAST_MM`.

    `room`: what a page has for its cells. `ratios`: height by width of the pictures, in any order; empty where none is known. `caption_mm`: the
    height of the highest caption in a column of this width. On a sheet too small for that size the pictures are as large as it allows.
    Raises ValueError where not one picture finds room on a page.
    """
    shapes = sorted(ratios) or [LANDSCAPE]
    highest = cache(caption_mm)
    best: tuple[_Rank, Grid] | None = None
    for pages in range(1, count + 1):
        found = _largest(pages, count, room, shapes, highest)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
        if best is not None and best[0].enough:
            return best[1]
    if best is not None:
        return best[1]
    raise ValueError(f"{room.width:.0f} x {room.height:.0f} mm have no room for a picture and its caption")


def fitted(frame_mm: SizeMm, ratio: float) -> SizeMm:
    """A picture of this shape, as large as it becomes in a frame.

    >>> fitted(SizeMm(60, 60), 0.5)
    SizeMm(width=60, height=30.0)
    """
    width = min(frame_mm.width, frame_mm.height / ratio)
    return SizeMm(width, width * ratio)


def _largest(
    pages: int, count: int, room: SizeMm, shapes: Sequence[float], caption_mm: Callable[[float], float]
) -> tuple[_Rank, Grid] | None:
    """The best grid for so many pages, behind its rank; None where nothing fits. `shapes`: of all pictures, the flattest first."""
    best: tuple[_Rank, Grid] | None = None
    for columns in _columns(count, room.width):
        in_all = math.ceil(count / columns)
        if in_all < pages:  # a page would stay empty
            break
        rows = math.ceil(in_all / pages)
        width = (room.width - (columns - 1) * GUTTER_MM) / columns
        caption = caption_mm(width)
        height = (room.height - (rows - 1) * ROW_GAP_MM) / rows - caption
        if height <= 0:
            continue
        # no higher than the widest is wide, so that pictures on their side and upright ones have the same weight
        height = min(height, width * max(1.0, shapes[0]))
        sizes = [fitted(SizeMm(width, height), shape) for shape in shapes]
        frame = SizeMm(width, max(size.height for size in sizes))
        rank = _Rank(
            enough=min(max(size.width, size.height) for size in sizes) >= LEAST_MM,
            seen=sum(math.sqrt(size.width * size.height) for size in sizes),
        )
        if best is None or rank > best[0]:
            best = rank, Grid(pages, columns, rows, frame, caption)
    return best


class _Rank(NamedTuple):
    """How good a grid is, as Python compares it."""

    enough: bool  #: every picture has its least size
    seen: (
        float  #: how large the pictures look, all together: the square root, because size is judged by length
    )


def _columns(count: int, room_mm: float) -> range:
    """How many columns are worth a try: from two, where there is room for two of `LEAST_MM`, to cells of half of that, for upright pictures."""
    least = min(LEAST_COLUMNS, max(1, int((room_mm + GUTTER_MM) / (LEAST_MM + GUTTER_MM))))
    most = int((room_mm + GUTTER_MM) / (LEAST_MM / 2 + GUTTER_MM))
    return range(least, max(least, min(most, count)) + 1)
