"""The page of a run over several pictures, made in the command's own process when every job is at rest: it gathers what the jobs have published."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.cli.portfolio import tally, word
from drydown.errors import is_machines
from drydown.jobs.names import SUFFIXES
from drydown.jobs.places import Places
from drydown.pages.run_page import RunPaper, RunPicture
from drydown.service.portfolio import Line, Paper, grouped
from drydown.service.reception import RUN
from drydown.showing import shown

_THUMB_PX = 420
_SHORT_ID = 6  #: letters of the first job's name that tell two runs of a day apart: they hold all that is random in it
_FILE_MODE = 0o644


def make_run_page(
    places: Places, recipe: str, made: Sequence[Line], papers: Sequence[Paper], *, now_s: float
) -> Path:
    """Write the page into the prints of the command line, and answer its path. `made`: in the run's order. Raises OSError."""
    from drydown.pages.run_page import run_page

    day = datetime.fromtimestamp(now_s).date().isoformat()
    facts = [("Pictures", f"{len(made)}: {tally(made)}"), ("Made", day)]
    facts += [(f"{paper.stock}, {paper.sheet.name}", _used(paper)) for paper in papers]
    shown_papers = [
        RunPaper(f"{stock}, {sheet.name}", [_picture(line) for line in some])
        for (stock, sheet), some in grouped(made)
    ]
    text = run_page(title=f"Portfolio: {shown(recipe)}", facts=facts, papers=shown_papers)
    to = places.root / "prints" / RUN / f"portfolio__{day}-{made[0].row.id[-_SHORT_ID:]}__{recipe}.html"
    durable.write_atomic(to, text.encode("utf-8", "backslashreplace"), mode=_FILE_MODE)
    return to


def _used(paper: Paper) -> str:
    sheets = f"{paper.sheets} sheet{'s' if paper.sheets != 1 else ''}"
    return sheets if paper.cost is None else f"{sheets}, {paper.cost:.2f} {paper.currency}".rstrip()


def _picture(line: Line) -> RunPicture:
    row = line.row
    beside = (
        {kind: row.prints / f"{row.prefix}{SUFFIXES[kind]}" for kind in ("preview", "page")}
        if row.prints
        else {}
    )
    jpeg, size_px = _thumb(beside.get("preview"))
    page = beside.get("page")
    return RunPicture(
        number=line.plan.number,
        name=row.source_name,
        state=word(line),
        why=shown(row.reason),
        sheet=f"{line.copies} copies" if line.copies > 1 else "",
        jpeg=jpeg,
        size_px=size_px,
        page=page.name if page is not None and page.is_file() else "",
        figures=tuple(_figures(row.result_data.get("record"))),
    )


def _thumb(preview: Path | None) -> tuple[bytes, tuple[int, int]]:
    """The preview small; nothing where it is no longer there or cannot be read."""
    from drydown.imaging.preview import thumb

    if preview is None or not preview.is_file():
        return b"", (0, 0)
    try:
        return thumb(preview, long_edge_px=_THUMB_PX)
    except Exception as error:  # a page is not worth a failed run
        if is_machines(error):
            raise
        return b"", (0, 0)


def _figures(record: Any) -> Iterator[tuple[str, str]]:
    gamut = record.get("gamut") if isinstance(record, dict) else None
    if isinstance(gamut, dict):
        beyond = gamut.get("beyond_percent", {})
        yield (
            "Loss",
            f"{beyond.get('3', 0.0):.1f} % of the picture beyond ΔE00 3, mean {gamut.get('mean_dE00', 0.0):.2f}",
        )
