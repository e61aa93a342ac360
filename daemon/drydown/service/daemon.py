"""The daemon's loop: one thread that scans, claims, starts attempts, takes in what they answered, and does what commands ask.

Watcher events are hints that make the next scan come sooner; the scan is the truth. A first signal ends it cleanly: no new attempts, those under way may
finish for a while; a second one ends at once, and the next start goes on from the ledger.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from drydown.errors import MachineFault, StudioError
from drydown.intake.claim import claim
from drydown.intake.folder import FolderOffline
from drydown.intake.found import Ready
from drydown.intake.hints import Hints, Told
from drydown.jobs import requests
from drydown.jobs.collected import notice_collected
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.states import WAITING
from drydown.service.asks import serve
from drydown.service.doors import Doors
from drydown.service.workshop import Workshop
from drydown.showing import shown

STUDIO_LOOK_S = 2.0  #: how often the studio's files are looked at for changes
REQUEST_LOOK_S = 0.5  #: how often requests are looked for when nothing else happens
GRACE_S = 30.0  #: how long attempts may go on after the first signal
HOUSEKEEPING_S = 60.0
CLAIM_AHEAD = 2  #: pictures claimed per attempt that may run: enough to never wait, few enough to leave the folder as it is


@dataclass(frozen=True, slots=True)
class Status:
    """The daemon at a glance."""

    in_folders: int  #: files that wait in hot folders
    queued: int
    running: tuple[str, ...]
    problems: tuple[str, ...]


class Listener(Protocol):
    """Whoever shows what happens; called in the daemon's thread, must be quick."""

    def job(self, row: JobRow) -> None:
        """A job has come to another state."""

    def status(self, status: Status) -> None:
        """How things stand, after each turn of the loop."""

    def say(self, text: str) -> None:
        """A sentence for a person."""


class Daemon:
    """`run` until `stop`. The clocks are handed in: `monotonic` for every duration, the ledger's own for times of day."""

    def __init__(
        self, root: Path, listener: Listener, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._listener, self._monotonic = listener, monotonic
        self._hints = Hints()
        self._stops = 0
        self._workshop = Workshop(root, what="drydown watch", say=listener.say, wake=self._hints.wake)
        self._doors = self._new_doors()
        self._housekeeping_at = 0.0
        self._studio_at = 0.0
        self._told_fault = ""

    def stop(self) -> None:
        """End cleanly; a second time at once. Safe from a signal handler and from any thread."""
        self._stops += 1
        self._hints.wake()

    def run(self) -> None:
        """Work until stopped. Raises LedgerFailed where the ledger cannot be written any more: start again, recovery goes on from there."""
        with contextlib.ExitStack() as stack:
            stack.callback(self._workshop.close)
            stack.callback(lambda: self._doors.close())
            self._workshop.starter.warm()
            requests.recover(self._workshop.places.requests)
            count, at_once = len(self._doors.folders), self._workshop.engine.at_once
            head = f"watching {count} hot folder{'s' if count != 1 else ''}, {at_once} at once"
            self._listener.say("\n  ".join([head, *self._doors.modes()]))
            told = Told()
            while not self._stops:
                self._turn(told)
                told = self._hints.wait(self._wait_s())
            self._finish()

    def _wait_s(self) -> float:
        due = self._workshop.engine.next_due_s()
        until_scan = max(0.0, self._doors.next_at - self._monotonic())
        return min(REQUEST_LOOK_S, until_scan, REQUEST_LOOK_S if due is None else due)

    def _turn(self, told: Told) -> None:
        self._take_in()
        now = self._monotonic()
        self._look_at_studio(now)
        if told.paths or told.everything or now >= self._doors.next_at:
            self._scan(now, told)
        for row in self._workshop.engine.start_ready():
            self._listener.job(row)
        self._keep_house(now)
        running = tuple(sorted(self._workshop.engine.running))
        self._listener.status(Status(self._doors.waiting, self._queued(), running, self._doors.problems))

    def _queued(self) -> int:
        counts = self._workshop.desk.publisher.ledger.counts()
        return sum(count for stage, count in counts.items() if stage in WAITING)

    def _take_in(self) -> None:
        """Answers of attempts, and what commands ask."""
        rows = self._workshop.engine.settle()
        rows += serve(self._workshop, time.time())
        for row in rows:
            self._listener.job(row)
        self._workshop.tell_observers(rows)

    def _scan(self, now: float, told: Told) -> None:
        """Look, claim what is ready and there is room for, and plan it."""
        want = max(0, self._workshop.engine.at_once * CLAIM_AHEAD - self._queued())
        found = self._doors.look(now, told.paths, everything=told.everything, want=want)
        for ready in found.ready:
            self._claim(ready, now)
        for one in self._doors.overdue(now):
            self._listener.say(f"{one.folder}: {shown(one.relative)} waits: {one.why}")
            self._workshop.log.write(
                "waits", hot_folder=one.folder, source=shown(one.relative), reason=one.why
            )
        for trouble in (trouble for trouble in found.problems if trouble.new):
            self._listener.say(f"{trouble.folder}: {trouble.what}")
            self._workshop.log.write("folder trouble", hot_folder=trouble.folder, what=trouble.what)

    def _claim(self, ready: Ready, now: float) -> None:
        reception, log = self._workshop.reception, self._workshop.log
        try:
            claimed = claim(ready, reception.new_job(), time.time())
        except (OSError, FolderOffline) as error:
            self._doors.put_off(ready, f"it cannot be taken: {error}", now)
            log.write("cannot be taken", source=shown(ready.relative), reason=str(error))
            return
        if claimed is None:
            return
        log.write("claimed", claimed.job, source=shown(claimed.dropped.name), hot_folder=claimed.folder)
        self._listener.job(reception.take(claimed))

    def _look_at_studio(self, now: float) -> None:
        """Read the studio again where a person changed it; a faulty one is told of once, and the old one stands."""
        if now < self._studio_at:
            return
        self._studio_at = now + STUDIO_LOOK_S
        try:
            if not self._workshop.reload():
                return
        except StudioError as error:
            if str(error) != self._told_fault:
                self._told_fault = str(error)
                self._listener.say(f"the studio's files have faults now; the last good ones stand:\n{error}")
                self._workshop.log.write("studio faulty", reason=str(error))
            return
        self._told_fault = ""
        self._listener.say("the studio's files have changed and were read again")
        self._doors.close()
        self._doors = self._new_doors()

    def _new_doors(self) -> Doors:
        settings = self._workshop.house.studio.settings.daemon
        return Doors(self._workshop.folders, settings, self._hints.add)

    def _keep_house(self, now: float) -> None:
        if now < self._housekeeping_at:
            return
        self._housekeeping_at = now + HOUSEKEEPING_S
        with contextlib.suppress(OSError, MachineFault):
            requests.clean(self._workshop.places.requests, now=time.time())
            notice_collected(self._workshop.desk.publisher.ledger)

    def _finish(self) -> None:
        """After the first signal: attempts under way may finish; after the second they are ended."""
        end, engine = self._monotonic() + GRACE_S, self._workshop.engine
        if engine.running:
            self._listener.say(
                f"stopping: {len(engine.running)} at work may finish; once more ends them at once"
            )
        while engine.running and self._stops < 2 and self._monotonic() < end:
            self._hints.wait(0.2)
            rows = engine.settle(go_on=False)
            for row in rows:
                self._listener.job(row)
            self._workshop.tell_observers(rows)
