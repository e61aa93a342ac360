"""A whole portfolio in one run: the order of its sheets, their numbers, and what was used of which paper.

Sheets of one paper come together, so that paper is changed once; the number in front of a file's name keeps that order wherever the files go.
Knows the studio and the ledger's rows, neither type nor pixels.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from drydown.api import Sheet
from drydown.errors import Hold
from drydown.intake import copyin
from drydown.intake.names import safe_stem
from drydown.jobs.ledger_rows import JobRow
from drydown.service.reception import Order
from drydown.studio.resolve import Resolved, read_picture_file, resolve
from drydown.studio.stock import StockFile
from drydown.studio.studio import Studio

NOZZLE_CHECK_EVERY = 20  #: sheets of paper from one nozzle check to the next (common practice, no source)
LEAST_DIGITS = 2  #: of a running number


@dataclass(frozen=True, slots=True)
class Planned:
    """A picture in its place in the run."""

    file: Path
    number: str  #: `03`; empty where it is the only picture
    stock: str
    sheet: Sheet

    @property
    def stem(self) -> str:
        """What its output names begin with: `03_harbour`."""
        stem = safe_stem(os.fsdecode(self.file.name))
        return f"{self.number}_{stem}" if self.number else stem


@dataclass(frozen=True, slots=True)
class Line:
    """What became of one picture. `nozzle_check`: sheets printed by then, where one is due after this picture; else 0."""

    plan: Planned
    row: JobRow
    copies: int
    nozzle_check: int = 0

    @property
    def out(self) -> bool:
        """True when its sheet is out."""
        return self.row.state == "completed"

    @property
    def paper(self) -> tuple[str, Sheet]:
        """The stock and the sheet that it is printed on."""
        return self.plan.stock, self.plan.sheet


@dataclass(frozen=True, slots=True)
class Paper:
    """How many sheets of one size of a stock the run takes, copies counted, and what one costs; None where the stock does not say."""

    stock: str
    sheet: Sheet
    sheets: int
    price: float | None
    currency: str

    @property
    def cost(self) -> float | None:
        """Of all of them."""
        return None if self.price is None else self.price * self.sheets


def in_order(studio: Studio, order: Order, files: Sequence[Path]) -> list[Planned]:
    """The pictures as they will be printed: grouped by paper in the order in which each paper comes first, else as given; numbered where there are several.

    Before anything is copied: raises NotFound (recipe, sheet maker, sheet), Hold (the recipe is off), OSError for a file that cannot be read.
    """
    plain = resolve(studio, recipe=order.recipe, maker=order.sheet_maker, sheet=order.sheet)
    papers = [_paper(studio, order, file, plain) for file in files]
    digits = max(LEAST_DIGITS, len(str(len(files))))
    return [
        Planned(files[index], f"{place:0{digits}d}" if len(files) > 1 else "", *papers[index])
        for place, index in enumerate(together(papers), start=1)
    ]


def together(papers: Sequence[Hashable]) -> list[int]:
    """The places of equals brought together, each kind where its first one stands, else in order.

    >>> together(["large", "small", "large", "small"])
    [0, 2, 1, 3]
    """
    first = {paper: place for place, paper in reversed(list(enumerate(papers)))}
    return sorted(range(len(papers)), key=lambda place: (first[papers[place]], place))


def lines(planned: Sequence[Planned], rows: Sequence[JobRow]) -> list[Line]:
    """What became of each picture, in the run's order. `rows`: one for each, in the same order."""
    made, sheets = [], 0
    for plan, row in zip(planned, rows, strict=True):
        copies = int(row.spec_data.get("copies") or 1)
        before = sheets
        if row.state == "completed":
            sheets += copies
        due = sheets // NOZZLE_CHECK_EVERY > before // NOZZLE_CHECK_EVERY
        made.append(Line(plan, row, copies, sheets if due else 0))
    return made


def grouped(made: Iterable[Line]) -> Iterator[tuple[tuple[str, Sheet], list[Line]]]:
    """The lines paper by paper."""
    papers: dict[tuple[str, Sheet], list[Line]] = {}
    for line in made:
        papers.setdefault(line.paper, []).append(line)
    yield from papers.items()


def paper_used(made: Iterable[Line], stocks: Mapping[str, StockFile]) -> list[Paper]:
    """Sheets by stock and size, of the pictures whose sheet is out, in the run's order."""
    used = []
    for (stock, sheet), some in grouped(made):
        count = sum(line.copies for line in some if line.out)
        if count:
            file = stocks[stock]
            used.append(Paper(stock, sheet, count, file.price(sheet), file.currency))
    return used


def _paper(studio: Studio, order: Order, file: Path, plain: Resolved) -> tuple[str, Sheet]:
    """What this picture is printed on: its own file may say otherwise than the recipe; where that has faults its job will be held."""
    _check_readable(file)
    settings = copyin.beside(file).settings
    if settings is None:
        return plain.stock_name, plain.sheet
    try:
        own = read_picture_file(file.parent / settings)
        found = resolve(
            studio,
            recipe=order.recipe,
            maker=order.sheet_maker,
            sheet=order.sheet,
            picture=own,
            picture_name=settings,
        )
    except Hold:
        return plain.stock_name, plain.sheet
    return found.stock_name, found.sheet


def _check_readable(file: Path) -> None:
    """One file that cannot be read is told before the first is taken, not after the tenth."""
    if not file.is_file():
        raise OSError(errno.EINVAL, "not a file that can be printed", str(file))
    os.close(os.open(file, os.O_RDONLY | os.O_CLOEXEC))
