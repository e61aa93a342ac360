"""The live line: what is at work now, how far it is, and above it a line for each job that has come to rest."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)
from rich.text import Text

from drydown.cli.show import line_of
from drydown.jobs.ledger_rows import JobRow
from drydown.service.daemon import Status


class LiveLine:
    """Shows a spinner and a sentence; with a total also a bar."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._task: TaskID = progress.add_task("starting", total=None)
        self._names: dict[str, str] = {}
        self._ended: set[str] = set()

    def job(self, row: JobRow) -> None:
        self._names[row.id] = row.source_name
        if (row.is_final or row.state == "pending-held") and row.id not in self._ended:
            self._ended.add(row.id)
            self._progress.console.print(Text(line_of(row)), soft_wrap=True)
            self._progress.update(self._task, completed=len(self._ended))

    def status(self, status: Status) -> None:
        at_work = ", ".join(self._names.get(job, job) for job in status.running)
        parts = [f"at work: {at_work}" if at_work else "idle"]
        if status.queued:
            parts.append(f"{status.queued} queued")
        if status.in_folders:
            parts.append(f"{status.in_folders} in the hot folders")
        parts += [f"! {problem}" for problem in status.problems]
        self._progress.update(self._task, description="  ".join(parts).replace("[", r"\["))

    def say(self, text: str) -> None:
        self._progress.console.print(Text(text), soft_wrap=True)

    def total(self, count: int) -> None:
        self._progress.update(self._task, total=count)


@contextlib.contextmanager
def live_line() -> Iterator[LiveLine]:
    """A live line on standard error for as long as the context lasts."""
    columns = (
        SpinnerColumn("line"),
        TextColumn("{task.description}"),
        BarColumn(24),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        yield LiveLine(progress)
