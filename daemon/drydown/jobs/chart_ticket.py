"""The ticket of a measurement chart: printed as finals are, cured, then measured. One for all its pages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from drydown.api import EdgesMm, Finished
from drydown.jobs.spec import SheetSpec, StockSpec
from drydown.jobs.ticket import NOT_STATED, Line, setting_up, tick_list, wrapped


@dataclass(frozen=True, slots=True)
class ChartPrint:
    """What a chart's ticket is told from."""

    name: str
    pages: int
    stock: StockSpec
    sheet: SheetSpec
    measurement: str  #: ISO 13655 mode that the stock states, or ""
    backing: str  #: white or black as the stock states it, or ""
    margins_mm: EdgesMm = field(default_factory=EdgesMm)
    edition: str = ""
    copies: int = 1


def chart_ticket(chart: ChartPrint, page: Finished, *, made: str) -> str:
    """The tick list as text of at most 72 columns. `page`: any page, for its form; `made`: ISO 8601, local."""
    head = [f"TICKET  chart {chart.name}  {made[:16].replace('T', ' ')}", ""]
    head += wrapped(
        "Sheets   ", f"{chart.pages} of {chart.sheet.name}, all on the same day and from one box of paper"
    )
    head += wrapped("File     ", "device values, 16 bits, no profile: nothing may convert them")
    return tick_list(head, [*setting_up(chart, page), *_afterwards(chart)], stock=chart.stock.name)


def _afterwards(chart: ChartPrint) -> Iterator[Line]:
    section, cure = "Afterwards", chart.stock.cure_hours
    yield Line(
        section,
        "cure_hours",
        "Cure before measuring",
        NOT_STATED if cure is None else f"{cure:g} hours, flat and uncovered",
        stated=cure is not None,
        caution="colours still move while the ink dries",
    )
    yield Line(section, "calibrate", "Instrument calibrated on its own tile")
    yield Line(
        section,
        "mode",
        "Measure in the mode (ISO 13655)",
        chart.measurement or NOT_STATED,
        stated=bool(chart.measurement),
    )
    yield Line(
        section,
        "backing",
        "Backing under the sheet",
        chart.backing or NOT_STATED,
        stated=bool(chart.backing),
        caution="thin paper reads darker over black",
    )
    yield Line(section, "order", "Row A first, from column 1, the black corner at the upper left")
    yield Line(section, "export", "Export as CGATS text (ISO 28178): spectra, or Lab under D50, 2 degrees")
