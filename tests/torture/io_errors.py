"""Row `io-errors`: real errors of the file system at the n-th call of a three-picture run, once or lasting until their cause is gone.

Short: a hundred seeded schedules, most on the daemon with a stand-in for rendering, some on the real program. Long: every n of every call, with every
error. Each ends with three sheets out once each, no attempt charged, and no end of the daemon but with its exit code for a failed machine, after
which a supervisor starts it again. After a lasting error everything is out within ten seconds of its end.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from drydown.imaging.working import srgb
from tests.e2e.studio import picture
from tests.torture.faulty_kit import (
    RESUMES_S,
    Schedule,
    Studio,
    Verdict,
    compiled,
    endure,
    forked,
    forking,
    missing,
    real,
)
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, counted

CALLS = ("write", "pwrite", "fsync", "fdatasync", "rename", "open", "mkdir", "close")
ERRORS = ("ENOSPC", "EIO", "EDQUOT", "EROFS", "ESTALE")
AT_ONCE, REAL_AT_ONCE = 12, 2
DEADLINE_S = 60.0


class Bench:
    """Runs schedules below `folder`, and remembers how many calls of each kind a run without errors makes."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.shim, self.profile = folder, compiled(folder), srgb()
        self.jpeg = picture(folder / "picture.jpg").read_bytes()
        self._count = 0

    def run(self, schedule: Schedule, *, with_children: bool) -> Verdict:
        """One schedule in a studio of its own."""
        with tempfile.TemporaryDirectory(dir=self.folder) as name:
            studio = Studio(Path(name), schedule)
            studio.lay_out(self.profile)
            start = real(studio, self.shim) if with_children else forked(self.context, studio)
            return endure(studio, start, self._picture, deadline_s=DEADLINE_S)

    def all(self, schedules: Sequence[Schedule], *, with_children: bool = False) -> list[Verdict]:
        """All of them, several at once, since they mostly wait. What is not as promised is told on standard error."""
        verdicts = []
        with ThreadPoolExecutor(REAL_AT_ONCE if with_children else AT_ONCE) as pool:
            for verdict in pool.map(lambda one: self.run(one, with_children=with_children), schedules):
                verdicts.append(verdict)
                if verdict.complaints:
                    print(f"{verdict.schedule}: {'; '.join(verdict.complaints)}", file=sys.stderr)
        return verdicts

    def calls(self, *, with_children: bool = False) -> dict[str, int]:
        """How often a run without errors makes each call."""
        found = self.all([Schedule(call) for call in CALLS], with_children=with_children)
        return {verdict.schedule.call: verdict.calls for verdict in found}

    def _picture(self, number: int) -> bytes:
        """The same picture with a letter behind its end, so that no two are equal."""
        return self.jpeg + b"%d" % number


def _every(calls: dict[str, int]) -> Iterator[Schedule]:
    for call, count in calls.items():
        for nth in range(1, count + 1):
            for error in ERRORS:
                yield Schedule(call, nth, error)
            if call == "rename":
                yield Schedule(call, nth, "ENOENT", after=True)


def _seeded(rng: random.Random, calls: dict[str, int], once: int, lasting: int) -> list[Schedule]:
    """`once` schedules, every call and error among them, and `lasting` ones that end when their cause is gone."""
    found = []
    for number in range(once):
        call = CALLS[number % len(CALLS)]
        if call == "rename" and number // len(CALLS) % 2:
            found.append(Schedule(call, rng.randint(1, calls[call]), "ENOENT", after=True))
        else:
            found.append(
                Schedule(call, rng.randint(1, calls[call]), rng.choice(ERRORS), after=rng.random() < 0.2)
            )
    for number in range(lasting):
        call = CALLS[number % len(CALLS)]
        found.append(Schedule(call, rng.randint(1, calls[call]), rng.choice(ERRORS), sticky=True))
    return found


def _outcome(verdicts: Sequence[Verdict]) -> Outcome:
    wrong = [one for verdict in verdicts for one in verdict.complaints]
    ends = sum(len(verdict.ends) for verdict in verdicts)
    lasting = [verdict.resumed_s for verdict in verdicts if verdict.resumed_s]
    figures = (
        f"{len(verdicts)} schedules, {sum(verdict.hits > 0 for verdict in verdicts)} met, "
        f"{counted(wrong, 'lost', 'twice', 'charged')}; {ends} ends with 74; "
        f"{len(lasting)} lasting, all out {max(lasting, default=0):.1f} s after (limit {RESUMES_S:g} s)"
    )
    return Outcome(not wrong, figures)


def short(seed: int) -> Outcome:
    """A hundred schedules, four of them with the real program."""
    rng = random.Random(seed)
    with quick_folder() as folder:
        bench = Bench(folder)
        with forking(bench.shim) as bench.context:
            calls = bench.calls()
            verdicts = bench.all(_seeded(rng, calls, once=72, lasting=24))
        some = [Schedule("write", 0), Schedule("open", 0)]
        known = {verdict.schedule.call: verdict.calls for verdict in bench.all(some, with_children=True)}
        chosen = [
            Schedule(call, rng.randint(1, known[call]), rng.choice(ERRORS)) for call in ("write", "open")
        ]
        chosen += [replace(one, sticky=True) for one in chosen]
        verdicts += bench.all(chosen, with_children=True)
    return _outcome(verdicts)


def long(seed: int) -> Outcome:
    """Every n of every call with every error; a lasting one at each fifth n; two hundred with the real program."""
    rng = random.Random(seed)
    with quick_folder() as folder:
        bench = Bench(folder)
        with forking(bench.shim) as bench.context:
            calls = bench.calls()
            lasting = [
                Schedule(call, nth, rng.choice(ERRORS), sticky=True)
                for call, count in calls.items()
                for nth in range(1 + rng.randrange(5), count + 1, 5)
            ]
            verdicts = bench.all([*_every(calls), *lasting])
        known = bench.calls(with_children=True)
        verdicts += bench.all(_seeded(rng, known, once=150, lasting=50), with_children=True)
    return _outcome(verdicts)


ROW = Row(
    name="io-errors",
    says="file-system errors at the n-th call: nothing lost, nothing twice, no attempt charged, resumed within 10 s",
    short=short,
    long=long,
    missing=missing,
)
