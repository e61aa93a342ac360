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
#: from a caption to the next row's patches: more than to its own, so that it is seen whose it is
BELOW_MM: Final = 4.6
_LOOSER_MM: Final = 6.0  #: so much may be added to each row and column where the room is not used up
_AT_FOOT_MM: Final = 4.0
_EPSILON: Final = 1e-6  #: of a pixel: the noise of adding millimetres


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
    middle: bool = True  #: in the middle of the room's width; else at its left edge


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


def caption_mm(lines: int) -> float:
    """Height of so many lines, from the top of the name to the last base line."""
    return NAME_CAP_MM + (lines - 1) * LINE_MM


def lay(wish: Wish, inside: RectMm, canvas_mm: RectMm, ppi: float) -> Laid:
    """The grid with the largest patches that fits into `inside`, not a pixel beyond.

    Arranged series keep their rows and columns. Raises Refusal with the numbers that would fit.
    """
    raster = _Raster(inside, canvas_mm, ppi)
    shapes = [wish.shape] if wish.shape is not None else list(_shapes(wish.count))
    found = [raster.laid(wish, shape, block) for shape in shapes for block in _blocks(wish.block)]
    fits = [laid for laid in found if laid is not None]
    if not fits:
        raise Refusal(_refusal(wish, raster))
    return max(
        fits, key=lambda laid: (laid.patch_px[0] * laid.patch_px[1], -laid.rows * laid.columns, laid.columns)
    )


def _blocks(block: int) -> Sequence[tuple[int, int]]:
    """How the patches of a cell may lie: across and down."""
    return [(1, 1)] if block == 1 else [(block, 1), (1, block)]


def _shapes(count: int) -> Iterator[tuple[int, int]]:
    """Rows and columns that hold so many cells, none of them without need."""
    for columns in range(1, count + 1):
        rows = math.ceil(count / columns)
        if math.ceil(count / rows) == columns:
            yield rows, columns


class _Raster:
    """The room and the distances in whole pixels, rounded so that what was promised in mm is kept."""

    def __init__(self, inside: RectMm, canvas_mm: RectMm, ppi: float) -> None:
        self.inside, self.ppi, self._per_mm = inside, ppi, ppi / MM_PER_INCH
        self.left, self.top = self.up(inside.left - canvas_mm.left), self.up(inside.top - canvas_mm.top)
        self.width = self.down(inside.right - canvas_mm.left) - self.left
        self.height = self.down(inside.bottom - canvas_mm.top) - self.top
        self.gap, self.least = self.up(GAP_MM), self.up(LEAST_PATCH_MM)

    def up(self, mm: float) -> int:
        return math.ceil(mm * self._per_mm - _EPSILON)

    def down(self, mm: float) -> int:
        return math.floor(mm * self._per_mm + _EPSILON)

    def mm(self, px: int) -> float:
        return px / self._per_mm

    def under(self, lines: int) -> int:
        """From a patch to the last base line of its caption."""
        return self.gap + self.up(caption_mm(lines))

    def laid(self, wish: Wish, shape: tuple[int, int], block: tuple[int, int]) -> Laid | None:
        """The grid of that shape with its largest patches; None where they are too small."""
        (rows, columns), (across, down) = shape, block
        given = None if wish.patch_mm is None else self._given(wish.patch_mm)
        width = (self.width + self.gap) // (columns * across) - self.gap
        width = min(width, self.down(wish.most_mm.width)) if given is None else given[0]
        while width >= (self.least if given is None else 1):
            cell = across * (width + self.gap) - self.gap
            lines = wish.lines(self.mm(cell))
            captions = rows * (self.under(lines) + self.up(BELOW_MM)) - self.up(BELOW_MM)
            height = (self.height - captions + rows * self.gap) // (rows * down) - self.gap
            if given is not None:
                fits = columns * (cell + self.gap) - self.gap <= self.width and height >= given[1]
                return self._placed(wish, shape, block, given, lines) if fits else None
            height = min(height, math.floor(LONGEST * width), self.down(wish.most_mm.height))
            if height < self.least:
                return None
            if width <= LONGEST * height:
                return self._placed(wish, shape, block, (width, height), lines)
            width = math.floor(LONGEST * height)  # narrower captions may take another line: look again
        return None

    def most(self, side: int, lines: int, block: tuple[int, int]) -> tuple[int, int]:
        """Rows and columns of cells with square patches of so many pixels."""
        across, down = block
        columns = (self.width + self.gap) // (across * (side + self.gap))
        below = self.up(BELOW_MM)
        rows = (self.height + below) // (down * (side + self.gap) - self.gap + self.under(lines) + below)
        return max(0, rows), max(0, columns)

    def _given(self, size: SizeMm) -> tuple[int, int]:
        return round(size.width * self._per_mm), round(size.height * self._per_mm)

    def _placed(
        self, wish: Wish, shape: tuple[int, int], block: tuple[int, int], patch: tuple[int, int], lines: int
    ) -> Laid:
        """From the top down; what room is left loosens rows and columns a little, and what is below the last row first."""
        (rows, columns), (across, down) = shape, block
        cell = across * (patch[0] + self.gap) - self.gap, down * (patch[1] + self.gap) - self.gap
        step = cell[0] + self.gap, cell[1] + self.under(lines) + self.up(BELOW_MM)
        spare_x = self.width + self.gap - columns * step[0]
        spare_y = self.height + self.up(BELOW_MM) - rows * step[1] - self.down(_AT_FOOT_MM)
        pitch = step[0] + self._share(spare_x, columns - 1), step[1] + self._share(spare_y, rows - 1)
        spare = self.width - (columns - 1) * pitch[0] - cell[0] if wish.middle else 0
        origin = self.left + spare // 2, self.top
        return Laid(rows, columns, patch, block, pitch, self.gap, origin, lines)

    def _share(self, spare: int, between: int) -> int:
        """What each of so many spaces may take of the room that is left."""
        return max(0, min(spare // between, self.down(_LOOSER_MM))) if between else 0


def _refusal(wish: Wish, raster: _Raster) -> str:
    side_mm = LEAST_PATCH_MM if wish.patch_mm is None else wish.patch_mm.width
    side = raster.least if wish.patch_mm is None else round(side_mm / MM_PER_INCH * raster.ppi)
    found = [
        raster.most(side, wish.lines(raster.mm(across * (side + raster.gap) - raster.gap)), (across, down))
        for across, down in _blocks(wish.block)
    ]
    rows, columns = max(found, key=lambda cells: cells[0] * cells[1])
    what = "of at least 25 mm" if wish.patch_mm is None else f"of {side_mm:g} mm"
    each = " (two regions each)" if wish.block > 1 else ""
    asked = f"{wish.count} patches" + (f" in {wish.shape[0]} rows of {wish.shape[1]}" if wish.shape else "")
    room_mm = f"{raster.inside.width:.0f} x {raster.inside.height:.0f} mm"
    if rows * columns == 0:
        return f"No patch {what}{each} fits into the {room_mm} that are left of this sheet. Take a larger sheet, or its whole."
    return (
        f"{asked} {what}{each} do not fit into the {room_mm} that are left of this sheet; "
        f"{rows * columns} do, in {rows} rows of {columns}. Ask for fewer, or take a larger sheet."
    )
