"""A measurement chart as a whole: its points on pages, its reference as text, its pages as pixels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.api import Finished
from drydown.imaging.chart_layout import ChartLayout, Instrument, row_name
from drydown.imaging.chart_page import chart_page
from drydown.imaging.icc_exact import device_to_lab
from drydown.measuring.chart_order import REPEATED, Codes, Grid, ordered
from drydown.measuring.chart_points import chart_points
from drydown.measuring.writer import table_text

#: An 8-bit step in 16 bits, exactly.
STEP_16: Final = 257
_FULL: Final = 255


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """`pages` hold indices into `codes`; a patch's place is page, row letters, column number: "2C14"."""

    stock: str
    layout: ChartLayout
    instrument: Instrument
    seed: int
    codes: Codes
    pages: tuple[Grid, ...]

    @property
    def name(self) -> str:
        """What pages, reference and readings of one chart have in common."""
        return f"{self.stock}-{self.layout.sheet.name}-{len(self.codes)}-{self.seed}"

    def places(self) -> Iterator[tuple[str, int]]:
        """Every patch in the order of reading, page by page, row by row: its place, and its index in `codes`."""
        for page, grid in enumerate(self.pages, 1):
            for (row, column), index in np.ndenumerate(grid):
                yield f"{page}{row_name(row)}{column + 1}", int(index)

    def device_16(self, page: int) -> NDArray[np.uint16]:
        """(rows, columns, 3): what stands on a page, counted from 0, as 16-bit device values."""
        return (self.codes[self.pages[page]] * STEP_16).astype(np.uint16)

    def reference(self, *, made: str) -> str:
        """The patches as ISO 28178 text, without colours: those are measured. `made`: ISO 8601 date."""
        keywords = {
            "ORIGINATOR": "drydown",
            "DESCRIPTOR": f"chart for stock {self.stock}, sheet {self.layout.sheet.name}",
            "CREATED": made,
            "CHART": self.name,
            "CHART_SEED": str(self.seed),
            "CHART_PAGES": str(len(self.pages)),
        }
        rows = [
            [str(number), place, *(str(value) for value in self.codes[index])]
            for number, (place, index) in enumerate(self.places(), 1)
        ]
        return table_text(keywords, ("SAMPLE_ID", "SAMPLE_LOC", "RGB_R", "RGB_G", "RGB_B"), rows)

    def page(self, number: int) -> Finished:
        """A page as pixels, counted from 0."""
        of, layout = f"page {number + 1} of {len(self.pages)}", self.layout
        patch_mm = layout.patch_px / layout.ppi * 25.4
        rows = len(self.pages[number])
        along = "Slide along each row" if self.instrument == "strip" else "Read each row"
        words = (
            f"{along} from column 1 to {layout.columns}, row A first, row {row_name(rows - 1)} last. The black corner lies at the upper left.",
            "Print at 100 % with the driver's colour handling off, at the quality of finals. Measure when the ink has cured.",
        )
        foot = f"{len(self.codes)} colours, patches of {patch_mm:.1f} mm, seed {self.seed}. Device values: no profile, no conversion."
        return chart_page(
            layout, self.device_16(number), title=f"Chart {self.name}, {of}", words=words, foot=foot
        )


def make_chart(
    stock: str,
    layout: ChartLayout,
    *,
    instrument: Instrument,
    count: int,
    seed: int,
    profile: bytes | None = None,
) -> Chart:
    """Lay a chart of `count` different colours. `profile`: the stock's current one, for where points lie and stand.

    Raises ValueError for too few colours, or a page too small.
    """
    points = chart_points(count, profile=profile, seed=seed)
    lab = _by_eye if profile is None else partial(device_to_lab, profile)
    codes = _with_repeated(np.rint(points * _FULL).astype(np.int64))
    pages = ordered(codes, lab(codes / _FULL), rows_max=layout.rows_max, columns=layout.columns, seed=seed)
    return Chart(stock, layout, instrument, seed, codes, tuple(pages))


def _with_repeated(codes: Codes) -> Codes:
    """The same with every one of `REPEATED` among them; the last points, which matter least, give way."""
    missing = [value for value in REPEATED if not (codes == value).all(axis=1).any()]
    kept = codes[: len(codes) - len(missing)]
    return np.concatenate([kept, np.array(missing, dtype=np.int64).reshape(-1, 3)])


def _by_eye(device: NDArray[np.float64]) -> NDArray[np.float64]:
    """A guess at Lab where there is no profile yet: as if the values were sRGB's, IEC 61966-2-1."""
    from drydown.imaging.pcs import lab_from_xyz
    from drydown.imaging.working import srgb_to_light

    # sRGB's primaries adapted to D50 (Bradford), rows X, Y, Z
    matrix = np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]])
    return lab_from_xyz(srgb_to_light(device) @ matrix.T)
