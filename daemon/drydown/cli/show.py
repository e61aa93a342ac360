"""How work is shown: a live line on a terminal, plain lines otherwise. Every name in a row is escaped already."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import click

from drydown.jobs.ledger_rows import JobRow
from drydown.service.daemon import Listener, Status

#: what a job's state is introduced with on a line; words, so that nothing hangs on a colour
SIGNS = {
    "pending": "  waits",
    "pending-held": "   HELD",
    "processing": "at work",
    "completed": "   done",
    "canceled": "stopped",
    "aborted": "REFUSED",
}


class Shown(Listener, Protocol):
    """A listener that can also say how far a known number of jobs has come."""

    def total(self, count: int) -> None:
        """So many jobs there will be."""


class PlainLines:
    """One line for each change, on standard error, so that standard output stays free for results. A line that cannot be written is left out."""

    def __init__(self) -> None:
        self._last: dict[str, str] = {}

    def job(self, row: JobRow) -> None:
        if self._last.get(row.id) == row.state:
            return
        self._last[row.id] = row.state
        self.say(lines_of(row))

    def status(self, status: Status) -> None:
        """Nothing: a plain log has no state."""

    def say(self, text: str) -> None:
        with contextlib.suppress(OSError):  # a full disk below a log: nobody's picture waits for a line
            click.echo(text, err=True)

    def total(self, count: int) -> None:
        """Nothing."""


def lines_of(row: JobRow) -> str:
    """One job on one line: state, job, picture, and why. Below it, once it is done, what its steps warn of: before the sheet is printed, not after."""
    reason = f": {row.reason}" if row.reason and row.state in ("pending-held", "aborted", "pending") else ""
    where = f" -> {row.sheet_name}" if row.state == "completed" and row.sheet_name else ""
    notes = row.result_data.get("notes") or () if where else ()
    warned = [note for note in notes if note.get("level") == "warning"]
    below_it = [f"           {note.get('step') or 'reading'}: {note.get('text')}" for note in warned]
    return "\n".join([f"{SIGNS[row.state]}  {row.id}  {row.source_name}{where}{reason}", *below_it])


@contextlib.contextmanager
def listener() -> Iterator[Shown]:
    """The way of showing that suits where standard error goes."""
    if sys.stderr.isatty():
        from drydown.cli.live import live_line

        with live_line() as live:
            yield live
    else:
        yield PlainLines()


def print_json(rows: list[dict[str, Any]]) -> None:
    """One JSON object a line."""
    for row in rows:
        click.echo(json.dumps(row, ensure_ascii=False))


def below(root: Path, path: Path) -> str:
    """A path as a person would name it, below the studio where it lies there."""
    return str(path.relative_to(root)) if path.is_relative_to(root) else str(path)
