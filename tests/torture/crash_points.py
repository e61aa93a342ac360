"""Row `crash-points`: the program ends at each step of the job line, and again at each step of the recovery that follows.

A step is every change on the disk: what the seam of `drydown.durable` announces, and what the interpreter knows of beside it. Each end is the end of a real
process; the next one recovers and goes on; whoever collects the sheets takes them at every step, and keeps a book of their own.
"""

from __future__ import annotations

import functools
import itertools
import multiprocessing
import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.jobs.crash_kit import in_a_process_killed_at
from tests.torture.line_kit import SCENARIOS, Line, Scenario, count_changes
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, tell

NEVER = -1
AT_LEAST = 60  #: steps of a printed picture; fewer mean that the seam is not reached


def nothing() -> None:
    """The program as it is."""


def run(
    line: Line, scenario: Scenario, everywhere: bool = False, before: Callable[[], None] = nothing
) -> None:
    """The line once, its changes counted; for a process of its own."""
    before()
    count_changes(everywhere=everywhere)
    line.once(scenario)


def ended_at(
    line: Line,
    scenario: Scenario,
    *steps: int,
    everywhere: bool = False,
    before: Callable[[], None] = nothing,
) -> tuple[bool, list[str]]:
    """A new studio, a run that ends at each of `steps` in turn, and one to the end. True when the last end happened; what was wrong then.

    `before`: done to the program at each start.
    """
    line.lay_out(scenario)
    work = partial(run, line, scenario, everywhere, before)
    killed = False
    for step in steps:
        killed = in_a_process_killed_at(step, work, look=line.look)
        if not killed:
            break
    if scenario.loses_ledger:
        line.lose_ledger()
    in_a_process_killed_at(NEVER, work, look=line.look)
    where = f"[{scenario.name}, ended at {', '.join(map(str, steps))}]"
    return killed, [f"{wrong} {where}" for wrong in line.complaints(scenario)]


def singles(line: Line, scenario: Scenario, *, everywhere: bool = False) -> tuple[int, list[str]]:
    """Every single end; how many there are, and what was wrong. `everywhere`: also where the disk is as at the step before."""
    wrong: list[str] = []
    for step in itertools.count():
        killed, found = ended_at(line, scenario, step, everywhere=everywhere)
        wrong += found
        if not killed:
            return step, wrong
    raise AssertionError


@functools.cache
def _line_of(folder: Path, pid: int) -> Line:
    return Line(folder / str(pid))


def pairs_after(folder: Path, scenario: Scenario, first: int) -> tuple[int, list[str]]:
    """Every second end after a first at `first`, in a studio of this process's own below `folder`."""
    line, wrong = _line_of(folder, os.getpid()), list[str]()
    for second in itertools.count():
        killed, found = ended_at(line, scenario, first, second)
        wrong += found
        if not killed:
            return second, wrong
    raise AssertionError


def _outcome(schedules: int, what: str, wrong: list[str]) -> Outcome:
    tell(wrong[:20])
    lost, twice = (sum(line.startswith(word) for line in wrong) for word in ("lost", "twice"))
    other = len(wrong) - lost - twice
    figures = f"{schedules:,} {what}, {lost} lost, {twice} twice" + (f", {other} left over" if other else "")
    return Outcome(not wrong, figures)


def short(seed: int) -> Outcome:
    counts, wrong = [], list[str]()
    with quick_folder() as folder:
        line = Line(folder / "line")
        for scenario in SCENARIOS:
            count, found = singles(line, scenario)
            counts.append(count)
            wrong += found
    assert counts[0] > AT_LEAST, f"{counts[0]} steps: the seam is not reached"
    return _outcome(sum(counts), "ends", wrong)


def long(seed: int) -> Outcome:
    """Singles of all and pairs of all, on every core."""
    schedules, wrong = 0, list[str]()
    with quick_folder() as folder, multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        line = Line(folder / "singles")
        for scenario in SCENARIOS:
            count, found = singles(line, scenario, everywhere=True)
            schedules, wrong = schedules + count, wrong + found
            count, found = singles(line, scenario)
            pairs = pool.imap_unordered(partial(pairs_after, folder, scenario), range(count))
            for number, (second, found) in enumerate(pairs, start=1):
                schedules, wrong = schedules + second, wrong + found
                print(
                    f"\r{scenario.name}: {number} of {count} first ends, {schedules:,} schedules",
                    end="",
                    file=sys.stderr,
                )
            print(file=sys.stderr)
    return _outcome(schedules, "schedules", wrong)


ROW = Row(
    name="crash-points",
    says="the program ends at every step of the job line, then again in the recovery: nothing lost, nothing twice",
    short=short,
    long=long,
)
