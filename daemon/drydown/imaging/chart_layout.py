"""Where a measurement chart's patches lie on a sheet: whole pixels, rows of letters, columns of numbers. Arithmetic only."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Final, Literal

from drydown.api import MM_PER_INCH, EdgesMm, Sheet
from drydown.geometry import EDGE_UNKNOWN_MM, OUTWARD_MM, Form, RectMm, canvas, default_form

Instrument = Literal["strip", "spot"]

#: Letters that cannot be taken for themselves or for another one when the sheet lies upside down.
LETTERS: Final = "ABCDEFGJKLPQRTUVY"
#: Gap of bare paper that a kind of instrument is given (common practice, no source).
USUAL_GAP_MM: Final[dict[Instrument, float]] = {"strip": 0.5, "spot": 1.0}
HEAD_MM: Final = 15.0  #: title, instructions and the mark, above the grid
FOOT_MM: Final = 6.0
MARKS_MM: Final = 4.5  #: column numbers above and below, row letters left and right
PAD_MM: Final = 5.0  #: black at both ends of a strip, for the reader to start and end on


@dataclass(frozen=True, slots=True)
class ChartLayout:
    """One page's geometry; every page of a chart has the same."""

    sheet: Sheet
    ppi: float
    form: Form
    canvas_mm: RectMm  #: what the file holds of the sheet
    inner_mm: RectMm  #: what may be printed on, of the sheet
    patch_px: int
    gap_px: int
    pad_px: int  #: 0: no pads
    columns: int
    rows_max: int

    @property
    def file_px(self) -> tuple[int, int]:
        """Width and height of the file."""
        return self.canvas_mm.size.px(self.ppi)

    def px(self, mm: float) -> int:
        """A length as whole pixels."""
        return round(mm / MM_PER_INCH * self.ppi)

    @property
    def grid_left(self) -> int:
        """Left edge of column 1 in the file: the grid stands in the middle."""
        inner = self.inner_mm
        middle = self.px(inner.left - self.canvas_mm.left + inner.width / 2)
        return middle - (self.columns * (self.patch_px + self.gap_px) - self.gap_px) // 2

    @property
    def grid_top(self) -> int:
        """Upper edge of row A in the file."""
        return self.px(self.inner_mm.top - self.canvas_mm.top + HEAD_MM + MARKS_MM)

    def patch(self, row: int, column: int) -> tuple[int, int]:
        """Upper left pixel of a patch."""
        pitch = self.patch_px + self.gap_px
        return self.grid_left + column * pitch, self.grid_top + row * pitch


def chart_layout(
    sheet: Sheet,
    edges: EdgesMm | None,
    *,
    ppi: float,
    patch_mm: float,
    gap_mm: float,
    instrument: Instrument,
) -> ChartLayout:
    """As many rows and columns as the upright sheet has room for. A patch is never smaller than asked, by whole pixels.

    Raises ValueError where not even three rows of seven fit.
    """
    keep = edges or EdgesMm(*[EDGE_UNKNOWN_MM] * 4)
    inner = RectMm(
        keep.left + OUTWARD_MM,
        keep.top + OUTWARD_MM,
        sheet.size.width - keep.left - keep.right - 2 * OUTWARD_MM,
        sheet.size.height - keep.top - keep.bottom - 2 * OUTWARD_MM,
    )
    form = default_form(edges)
    whole = RectMm(0, 0, sheet.size.width, sheet.size.height)
    part = canvas(form, sheet.size, edges, whole)
    per_mm = ppi / MM_PER_INCH
    patch_px, gap_px = ceil(patch_mm * per_mm - 1e-9), round(gap_mm * per_mm)
    pad_px = round(PAD_MM * per_mm) if instrument == "strip" else 0
    across = inner.width * per_mm - 2 * (MARKS_MM * per_mm + (pad_px + gap_px if pad_px else 0))
    down = (inner.height - HEAD_MM - FOOT_MM - 2 * MARKS_MM) * per_mm
    columns, rows = (int((room + gap_px) // (patch_px + gap_px)) for room in (across, down))
    if columns < 7 or rows < 3:
        raise ValueError(
            f"sheet {sheet.name} has room for {max(columns, 0)} columns and {max(rows, 0)} rows of {patch_mm:g} mm; a chart needs 7 and 3"
        )
    return ChartLayout(sheet, ppi, form, part, inner, patch_px, gap_px, pad_px, columns, rows)


def row_name(row: int) -> str:
    """A row's letters, from 0.

    >>> row_name(0), row_name(16), row_name(17), row_name(18)
    ('A', 'Y', 'AA', 'AB')
    """
    first, last = divmod(row, len(LETTERS))
    return (LETTERS[first - 1] if first else "") + LETTERS[last]


def row_number(name: str) -> int:
    """A row's number from 0, the inverse of `row_name`. Raises ValueError for other letters."""
    first = LETTERS.index(name[0]) + 1 if len(name) == 2 else 0
    return first * len(LETTERS) + LETTERS.index(name[-1])
