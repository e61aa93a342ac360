"""The live line: what is at work now, how far it is, and above it a line for each job that has come to rest.

Drawn again only when something has changed: a daemon that idles for days must cost nothing.
"""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Iterator
from typing import TextIO, cast

from rich.console import Console, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task, TaskID, TextColumn
from rich.text import Text

from drydown.cli.show import lines_of
from drydown.jobs.ledger_rows import JobRow
from drydown.service.daemon import Status


class _WithTotal(ProgressColumn):
    """Another column, shown only where it is known how many there will be."""

    def __init__(self, column: ProgressColumn) -> None:
        super().__init__()
        self._column = column

    def render(self, task: Task) -> RenderableType:
        return Text() if task.total is None else self._column.render(task)


class _Unheeded(io.TextIOBase):
    """A stream that fails nobody: where the terminal has gone, nobody's picture waits for a line. The drawing library would end the program."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str, /) -> int:
        with contextlib.suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            self._stream.flush()

    def isatty(self) -> bool:
        return self._stream.isatty()

    def fileno(self) -> int:
        return self._stream.fileno()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._stream.encoding


class LiveLine:
    """Shows a sentence; with a total also a bar."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._task: TaskID = progress.add_task("starting", total=None)
        self._names: dict[str, str] = {}
        self._ended: set[str] = set()
        self._last = ""

    def job(self, row: JobRow) -> None:
        self._names[row.id] = row.source_name
        if (row.is_final or row.state == "pending-held") and row.id not in self._ended:
            self._ended.add(row.id)
            self._progress.console.print(Text(lines_of(row)), soft_wrap=True)
            self._progress.update(self._task, completed=len(self._ended), refresh=True)

    def status(self, status: Status) -> None:
        at_work = ", ".join(self._names.get(job, job) for job in status.running)
        parts = [f"at work: {at_work}" if at_work else "idle"]
        if status.queued:
            parts.append(f"{status.queued} queued")
        if status.in_folders:
            parts.append(f"{status.in_folders} in the hot folders")
        parts += [f"! {problem}" for problem in status.problems]
        text = "  ".join(parts).replace("[", r"\[")
        if text != self._last:
            self._last = text
            self._progress.update(self._task, description=text, refresh=True)

    def say(self, text: str) -> None:
        self._progress.console.print(Text(text), soft_wrap=True)

    def total(self, count: int) -> None:
        self._progress.update(self._task, total=count, refresh=True)


@contextlib.contextmanager
def live_line() -> Iterator[LiveLine]:
    """A live line on standard error for as long as the context lasts."""
    columns = (_WithTotal(BarColumn(24)), _WithTotal(MofNCompleteColumn()), TextColumn("{task.description}"))
    console = Console(file=cast(TextIO, _Unheeded(sys.stderr)))
    with Progress(*columns, console=console, transient=True, auto_refresh=False) as progress:
        yield LiveLine(progress)
