"""The same chain without the daemon: jobs made from files of the command line, worked on until each has come to a rest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from drydown.errors import NotFound
from drydown.intake.hints import Hints
from drydown.intake.ignored import ignored
from drydown.intake.sidecar import is_settings
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.states import Stage
from drydown.service.asks import take_files
from drydown.service.daemon import Listener, Status
from drydown.service.reception import Order
from drydown.service.workshop import Workshop
from drydown.showing import shown

LOOK_S = 0.5


def pictures_in(paths: Iterable[Path]) -> list[Path]:
    """Files as named; of folders every file in them that could be a picture, by name. Raises NotFound for a path that is no file."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = (entry for entry in sorted(path.iterdir()) if entry.is_file())
            found += [entry for entry in inside if not ignored(entry.name) and not is_settings(entry.name)]
        else:
            if not path.is_file():
                raise NotFound(
                    f"there is no picture {shown(str(path))}; name a file, or a folder that holds some"
                )
            found.append(path)
    return found


def folders_in(paths: Iterable[Path]) -> list[str]:
    """Names, as they may be shown, of the folders inside the folders among `paths`; those that begin with a dot do not count."""
    inside = (entry for path in paths if path.is_dir() for entry in sorted(path.iterdir()))
    return [shown(entry.name) for entry in inside if entry.is_dir() and not entry.name.startswith(".")]


def run_files(
    root: Path, order: Order, files: Sequence[Path], listener: Listener, stems: Sequence[str] = ()
) -> list[JobRow]:
    """Make jobs of `files` and work until each is final or held. `stems`: what the output names of each begin with; empty: the picture's name.

    Raises Busy while a daemon holds the studio, StudioError, NotFound, Refusal.
    """
    hints = Hints()
    with Workshop(root, what="drydown run", say=listener.say, wake=hints.wake) as workshop:
        rows = take_files(workshop, order, files, stems)
        return work_through(workshop, [row.id for row in rows], hints, listener)


def work_through(workshop: Workshop, jobs: list[str], hints: Hints, listener: Listener) -> list[JobRow]:
    """Work until every one of `jobs` is final or held; answers them as they then are. Others in the ledger wait for the daemon."""
    engine, ledger = workshop.engine, workshop.desk.publisher.ledger
    engine.only = frozenset(jobs)
    for job in jobs:
        listener.job(ledger.job(job))
    while True:
        for row in engine.start_ready():
            listener.job(row)
        rows = [ledger.job(job) for job in jobs]
        resting = [row for row in rows if row.is_final or row.stage is Stage.HELD]
        waiting = len(rows) - len(resting) - len(engine.running)
        listener.status(Status(0, waiting, tuple(sorted(engine.running)), ()))
        if len(resting) == len(rows) and not engine.running:
            return rows
        due = engine.next_due_s()
        hints.wait(LOOK_S if due is None else min(LOOK_S, due))
        workshop.tell_sandbox()
        ended = engine.settle()
        for row in ended:
            listener.job(row)
        workshop.tell_observers(ended)
