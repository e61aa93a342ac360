"""What a run over several pictures shows at its end: each picture's sheet, or why there is none, in the order of printing; then the paper."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from drydown.cli.show import SIGNS, below
from drydown.service.portfolio import NOZZLE_CHECK_EVERY, Line, Paper, grouped

_NAME_MOST = (
    36  #: columns for a picture's name; a longer one pushes its own line to the right, and is never cut
)
_INDENT = "  "


def table(made: Sequence[Line], papers: Sequence[Paper], root: Path) -> Iterator[str]:
    """Lines for a person. `made`: in the run's order; `root`: the studio. Broken to the terminal's width where standard output is one."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    digits = max(len(line.plan.number) for line in made)
    names = min(_NAME_MOST, max(_cells(line.row.source_name) for line in made))
    for index, ((stock, sheet), some) in enumerate(grouped(made)):
        yield f"{stock}, {sheet.name}" + (": change the paper" if index else "")
        for line in some:
            yield from _picture(line, digits, names, width)
            if line.nozzle_check:
                yield _INDENT + " " * digits + _INDENT + _check(line)
    yield ""
    yield from _paper(papers)
    done = next((line.row.sheet for line in made if line.out and line.row.sheet), None)
    where = f" Sheets are in {below(root, done.parent)}." if done else ""
    yield f"{tally(made)}.{where}"


def tally(made: Sequence[Line]) -> str:
    """`9 done, 2 refused`."""
    counts = Counter(word(line) for line in made)
    return ", ".join(f"{count} {state}" for state, count in counts.most_common())


def word(line: Line) -> str:
    """A picture's state in a word: done, refused, held."""
    return SIGNS[line.row.state].strip().lower()


def _picture(line: Line, digits: int, names: int, width: int | None) -> Iterator[str]:
    name = line.row.source_name
    head = (
        f"{_INDENT}{line.plan.number:>{digits}}{_INDENT}{name}{' ' * max(0, names - _cells(name))}{_INDENT}"
    )
    head += f"{SIGNS[line.row.state].strip():<7}{_INDENT}"
    said = line.row.sheet_name if line.out else line.row.reason
    if line.out and line.copies > 1:
        said += f"  ({line.copies} copies)"
    room = None if width is None else width - _cells(head)
    if room is None or room < 24 or _cells(said) <= room:
        yield (head + said).rstrip()
        return
    first, *rest = textwrap.wrap(said, room, break_on_hyphens=False)
    yield head + first
    for more in rest:
        yield " " * _cells(head) + more


def _check(line: Line) -> str:
    """When the nozzles are to be looked at again."""
    text = f"nozzle check: {line.nozzle_check} sheets printed by then"
    if line.copies > NOZZLE_CHECK_EVERY:
        text += f", and one after every {NOZZLE_CHECK_EVERY} of these {line.copies} copies"
    return text


def _paper(papers: Sequence[Paper]) -> Iterator[str]:
    """Sheets by stock and size, and what they cost where the stock says so."""
    if not papers:
        return
    known = any(paper.price is not None for paper in papers)
    rows = [("paper", "sheets", "each", "cost") if known else ("paper", "sheets", "", "")]
    for paper in papers:
        each, cost = ("not stated", "") if known else ("", "")
        if paper.price is not None and paper.cost is not None:
            each, cost = _money(paper.price, paper.currency), _money(paper.cost, paper.currency)
        rows.append((f"{paper.stock}, {paper.sheet.name}", str(paper.sheets), each, cost))
    if len(papers) > 1:
        rows.append(("in all", str(sum(paper.sheets for paper in papers)), "", _sum(papers)))
    widths = [max(_cells(row[column]) for row in rows) for column in range(3)]
    for name, sheets, each, cost in rows:
        padded = name + " " * (widths[0] - _cells(name))
        yield f"{padded}{_INDENT}{sheets:>{widths[1]}}{_INDENT}{each:<{widths[2]}}{_INDENT}{cost}".rstrip()
    yield ""


def _sum(papers: Sequence[Paper]) -> str:
    sums: dict[str, float] = {}
    for paper in papers:
        if paper.cost is not None:
            sums[paper.currency] = sums.get(paper.currency, 0.0) + paper.cost
    unknown = sum(paper.sheets for paper in papers if paper.price is None)
    text = " and ".join(_money(cost, currency) for currency, cost in sums.items())
    return text + (f", without {unknown} of no stated price" if text and unknown else "")


def _money(amount: float, currency: str) -> str:
    return f"{amount:.2f} {currency}".rstrip()


def _cells(text: str) -> int:
    """Columns that a text takes on a terminal: some letters take two, some none."""
    from rich.cells import cell_len

    return cell_len(text)
