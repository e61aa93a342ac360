"""Where the patches of a test strip lie: equal, as large as the room allows, each with the same bare paper round it.

Arithmetic in millimetres and whole pixels; knows no pictures, no settings and no words.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from drydown.api import MM_PER_INCH, Box, EdgesMm, Refusal, Sheet, SizeMm
from drydown.geometry import EDGE_UNKNOWN_MM, GUARD_MM, Form, RectMm, canvas

Part = Literal["whole", "first-half", "second-half", "quarter-1", "quarter-2", "quarter-3", "quarter-4"]

LEAST_PATCH_MM: Final = (
    25.0  #: a field of 2 degrees at 400 mm is 14 mm; smaller patches are judged by their neighbours
)
MOST_PATCH_MM: Final = (
    90.0  #: larger ones are no longer seen at a glance beside each other (13 degrees at 400 mm)
)
GAP_MM: Final = 4.0  #: bare paper round every patch, on all four sides
LONGEST: Final = 1.5  #: the longer side of a patch over the shorter: as a photograph's
BORDER_MM: Final = 5.0  #: from the edge of the paper
CUT_MM: Final = 4.0  #: from the line where the sheet's parts meet
VALUE_CAP_MM: Final = 2.5
NAME_CAP_MM: Final = 3.0
LINE_MM: Final = 4.2  #: from one base line of a caption to the next
BELOW_MM: Final = (
    6.0  #: from a caption to the next row's patches: more than to its own, so that it is seen whose it is
)
_LOOSER_MM: Final = 6.0  #: so much may be added to each row and column where the room is not used up
_EPSILON: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Room:
    """A sheet, upright as it is fed, and the part of it that a strip keeps to."""

    sheet_mm: SizeMm
    canvas_mm: RectMm  #: what the file holds of the sheet
    inside_mm: RectMm  #: where a strip may lie
    form: Form


def room(sheet: Sheet, edges: EdgesMm | None, part: Part, form: Form) -> Room:
    """The room of a strip on a sheet. The second half is printed like the first, the sheet having been turned half round: so its place is the same.

    Raises ValueError for the printable area of a stock that does not state its edges.
    """
    size = sheet.size
    held = edges or EdgesMm(*[EDGE_UNKNOWN_MM - GUARD_MM] * 4)
    sides = [max(side + GUARD_MM, BORDER_MM) for side in (held.top, held.right, held.bottom, held.left)]
    top, right, bottom, left = sides[0], size.width - sides[1], size.height - sides[2], sides[3]
    if part != "whole":
        bottom = size.height / 2 - CUT_MM
    if part in ("quarter-1", "quarter-3"):
        right = size.width / 2 - CUT_MM
    elif part in ("quarter-2", "quarter-4"):
        left = size.width / 2 + CUT_MM
    whole = RectMm(0.0, 0.0, size.width, size.height)
    return Room(size, canvas(form, size, edges, whole), RectMm(left, top, right - left, bottom - top), form)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is to be laid."""

    count: int  #: cells: one a variation and picture
    shape: (
        tuple[int, int] | None
    )  #: rows and columns where the arrangement means something; None: reading order
    block: int = 1  #: patches a cell: two where two regions share a strip
    lines: Callable[[float], int]  #: how many lines the longest caption takes at a width in mm
    patch_mm: SizeMm | None = None  #: None: as large as fits
    most_mm: SizeMm  #: no patch can be larger than the picture


@dataclass(frozen=True, slots=True)
class Laid:
    """A grid in whole pixels of the file."""

    rows: int
    columns: int
    patch_px: tuple[int, int]
    block: tuple[int, int]  #: patches across and down in one cell
    pitch_px: tuple[int, int]
    gap_px: int
    origin_px: tuple[int, int]
    lines: int  #: of each caption

    def patch(self, row: int, column: int, number: int = 0) -> Box:
        """The n-th patch of a cell."""
        width, height = self.patch_px
        across, down = number % self.block[0], number // self.block[0]
        left = self.origin_px[0] + column * self.pitch_px[0] + across * (width + self.gap_px)
        top = self.origin_px[1] + row * self.pitch_px[1] + down * (height + self.gap_px)
        return Box(left, top, width, height)

    def caption(self, row: int, column: int) -> tuple[int, int]:
        """Left end, and the top of the capitals, of the cell's caption."""
        last = self.patch(row, column, self.block[1] * self.block[0] - 1)
        return self.patch(row, column).left, last.top + last.height + self.gap_px


@dataclass(frozen=True, slots=True)
class _Fit:
    rows: int
    columns: int
    block: tuple[int, int]
    patch: SizeMm
    lines: int

    @property
    def area(self) -> float:
        return self.patch.width * self.patch.height


def caption_mm(lines: int) -> float:
    """Height of so many lines, from the top of the name to the last base line."""
    return NAME_CAP_MM + (lines - 1) * LINE_MM


def lay(wish: Wish, inside: RectMm, canvas_mm: RectMm, ppi: float) -> Laid:
    """The grid with the largest patches, in the middle of `inside`.

    Arranged series keep their rows and columns, or are laid on their side. Raises Refusal with the numbers that would fit.
    """
    fits = [fit for fit in _fits(wish, inside) if _large_enough(fit, wish)]
    if not fits:
        raise Refusal(_refusal(wish, inside))
    best = max(fits, key=lambda fit: (round(fit.area, 3), -fit.rows * fit.columns, fit.columns))
    return _in_pixels(best, inside, canvas_mm, ppi)


def most_cells(inside: RectMm, *, patch_mm: float, lines: int, block: int = 1) -> tuple[int, int]:
    """Rows and columns of square patches of that size which `inside` holds."""
    found = []
    for across, down in _blocks(block):
        width = across * (patch_mm + GAP_MM)
        height = down * (patch_mm + GAP_MM) + caption_mm(lines) + BELOW_MM
        columns = math.floor((inside.width + GAP_MM + _EPSILON) / width)
        rows = math.floor((inside.height + BELOW_MM + _EPSILON) / height)
        found.append((max(0, rows), max(0, columns)))
    return max(found, key=lambda cells: cells[0] * cells[1])


def _large_enough(fit: _Fit, wish: Wish) -> bool:
    least = LEAST_PATCH_MM if wish.patch_mm is None else min(wish.patch_mm.width, wish.patch_mm.height)
    return min(fit.patch.width, fit.patch.height) >= least - _EPSILON


def _blocks(block: int) -> Sequence[tuple[int, int]]:
    return [(1, 1)] if block == 1 else [(block, 1), (1, block)]


def _shapes(wish: Wish) -> Iterator[tuple[int, int]]:
    """Rows and columns that may serve."""
    if wish.shape is not None:
        rows, columns = wish.shape
        yield rows, columns
        return
    for columns in range(1, wish.count + 1):
        rows = math.ceil(wish.count / columns)
        if math.ceil(wish.count / rows) == columns:  # no column is left without a patch
            yield rows, columns


def _fits(wish: Wish, inside: RectMm) -> Iterator[_Fit]:
    for rows, columns in _shapes(wish):
        for block in _blocks(wish.block):
            fit = _fit(wish, inside, rows, columns, block)
            if fit is not None:
                yield fit


def _fit(wish: Wish, inside: RectMm, rows: int, columns: int, block: tuple[int, int]) -> _Fit | None:
    """The largest patch for so many rows and columns; captions need more lines where patches are narrow, so it is found by narrowing."""
    across, down = block
    width = (inside.width - (columns * across - 1) * GAP_MM) / (columns * across)
    width = min(width, wish.most_mm.width)
    if wish.patch_mm is not None:
        if width < wish.patch_mm.width - _EPSILON:
            return None
        width = wish.patch_mm.width
    for _ in range(8):
        if width <= 0:
            return None
        lines = wish.lines(across * width + (across - 1) * GAP_MM)
        captions = rows * (GAP_MM + caption_mm(lines)) + (rows - 1) * BELOW_MM
        height = (inside.height - captions - rows * (down - 1) * GAP_MM) / (rows * down)
        if wish.patch_mm is not None:
            fits = height >= wish.patch_mm.height - _EPSILON
            return _Fit(rows, columns, block, wish.patch_mm, lines) if fits else None
        height = min(height, LONGEST * width, wish.most_mm.height)
        if height <= 0:
            return None
        if width <= LONGEST * height + _EPSILON:
            return _Fit(rows, columns, block, SizeMm(width, height), lines)
        width = LONGEST * height
    return None


def _in_pixels(fit: _Fit, inside: RectMm, canvas_mm: RectMm, ppi: float) -> Laid:
    """Whole pixels: patches rounded down, gaps up, so that what was promised in mm is kept; all of one kind are equal."""

    def px(mm: float) -> float:
        return mm / MM_PER_INCH * ppi

    gap = math.ceil(px(GAP_MM) - _EPSILON)
    across, down = fit.block
    # one pixel less a gap that was rounded up
    loss = [(fit.columns * across - 1) * (gap - px(GAP_MM)), 0.0]
    width = math.floor(px(fit.patch.width) - loss[0] / (fit.columns * across) + _EPSILON)
    height = math.floor(px(fit.patch.height) - (down - 1) * (gap - px(GAP_MM)) / down + _EPSILON)
    cell = across * width + (across - 1) * gap, down * height + (down - 1) * gap
    spare_x = px(inside.width) - fit.columns * cell[0] - (fit.columns - 1) * gap
    pitch_x = cell[0] + gap + _share(spare_x, fit.columns - 1, px(_LOOSER_MM))
    below = gap + math.ceil(px(caption_mm(fit.lines))) + math.ceil(px(BELOW_MM))
    used = fit.rows * cell[1] + (fit.rows - 1) * below + gap + math.ceil(px(caption_mm(fit.lines)))
    spare_y = px(inside.height) - used
    pitch_y = cell[1] + below + _share(spare_y, fit.rows - 1, px(_LOOSER_MM))
    wide = (fit.columns - 1) * pitch_x + cell[0]
    left = px(inside.left - canvas_mm.left) + (px(inside.width) - wide) / 2
    top = px(inside.top - canvas_mm.top)
    return Laid(
        fit.rows,
        fit.columns,
        (width, height),
        fit.block,
        (pitch_x, pitch_y),
        gap,
        (math.ceil(left - _EPSILON), math.ceil(top - _EPSILON)),
        fit.lines,
    )


def _share(spare: float, between: int, most: float) -> int:
    """What each of so many spaces may take of the room that is left."""
    return max(0, math.floor(min(spare / between, most))) if between else 0


def _refusal(wish: Wish, inside: RectMm) -> str:
    side = LEAST_PATCH_MM if wish.patch_mm is None else wish.patch_mm.width
    lines = wish.lines(side * (wish.block if wish.block > 1 else 1))
    rows, columns = most_cells(inside, patch_mm=side, lines=lines, block=wish.block)
    what = "of at least 25 mm" if wish.patch_mm is None else f"of {side:g} mm"
    each = " (two regions each)" if wish.block > 1 else ""
    asked = (
        f"{wish.count} patches"
        if wish.shape is None
        else f"{wish.count} patches in {wish.shape[0]} rows of {wish.shape[1]}"
    )
    room_mm = f"{inside.width:.0f} x {inside.height:.0f} mm"
    if rows * columns == 0:
        return f"No patch {what}{each} fits into the {room_mm} that are left of this sheet. Take a larger sheet, or its whole."
    return (
        f"{asked[0].upper()}{asked[1:]} {what}{each} do not fit into the {room_mm} that are left of this sheet; "
        f"{rows * columns} do, in {rows} rows of {columns}. Ask for fewer, or take a larger sheet."
    )
