"""The rule for old originals at work: once a day in the daemon, a little at each turn of its loop, so that nothing waits for it."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from drydown.errors import NotFound
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import Ledger
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.places import Places
from drydown.jobs.retention import DAY_S, Old, old_originals, remove

FIRST_AFTER_S = 300.0  #: a daemon that starts has better things to do
ROWS_A_TURN = 200
CLOCK_MOVED_S = 3600.0  #: by more than this the wall clock was set since the start: then nobody knows how old what it has dated is


class Tidying:
    """`turn` looks at some jobs or removes one original. `days`: the studio's rule as it is now, None where it keeps everything."""

    def __init__(
        self,
        places: Places,
        ledger: Ledger,
        log: JobLog,
        days: Callable[[], int | None],
        *,
        clock: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
        steady: Callable[[], float] | None = None,
    ) -> None:
        self._places, self._ledger, self._log, self._days = places, ledger, log, days
        self._clock, self._monotonic = clock, monotonic
        self._next_at = monotonic() + FIRST_AFTER_S
        self._steady = steady or _steady
        self._set_by_s = clock() - self._steady()
        self._from: int | None = None  # the row to go on from, while a round is under way
        self._before = 0.0
        self._old: deque[Old] = deque()
        self.removed = 0

    @property
    def is_busy(self) -> bool:
        """True while a round is under way."""
        return self._from is not None or bool(self._old)

    def begin(self, days: int | None = None) -> None:
        """Start a round now; by the studio's rule, or another. Raises NotFound where there is none."""
        days = self._days() if days is None else days
        if days is None:
            raise NotFound(
                "no rule says that originals may go: set originals_days in [retention] of studio.toml, or name --days"
            )
        self._before, self._from, self.removed = self._clock() - days * DAY_S, 0, 0

    def turn(self) -> None:
        """A little of the work, when it is time. Raises OSError, MachineFault."""
        if not self.is_busy:
            if self._days() is None or self._monotonic() < self._next_at:
                return
            self._next_at = self._monotonic() + DAY_S
            if abs(self._clock() - self._steady() - self._set_by_s) > CLOCK_MOVED_S:
                self._log.write(
                    "originals not tidied", reason="the clock was set since the start; start again to go on"
                )
                return
            self.begin()
        if self._old:
            old = self._old.popleft()
            why_not = remove(self._ledger, self._log, self._places, old)
            if why_not:
                self._log.write("original kept", old.job, path=self._places.shown(old.path), reason=why_not)
            self.removed += not why_not
        elif self._from is not None:
            rows = self._ledger.done_before(self._before, after=self._from, limit=ROWS_A_TURN)
            self._old.extend(old_originals(self._ledger, self._places, rows, self._before))
            self._from = rows[-1].seq if rows else None


def _steady() -> float:
    """Seconds that nobody sets, those of a sleeping machine counted where the system can."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def may_go(root: Path, days: int, now: float) -> list[Old]:
    """What a round would remove now. Reads only. Raises NotFound where there is no ledger."""
    places, before = Places(root), now - days * DAY_S
    with LedgerView.read(places.ledger) as ledger:
        return old_originals(ledger, places, ledger.done_before(before), before)
