"""The daemon's loop: one thread that scans, claims, starts attempts, takes in what they answered, and does what commands ask.

Watcher events are hints that make the next scan come sooner; the scan is the truth. A first signal ends it cleanly: no new attempts, those under way may
finish for a while; a second one ends at once, and the next start goes on from the ledger.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from drydown.errors import Busy, MachineFault, StudioError, is_machines
from drydown.intake.claim import claim
from drydown.intake.folder import TAKEN, FolderOffline
from drydown.intake.found import Ready
from drydown.intake.hints import Hints, Told
from drydown.jobs import requests
from drydown.jobs.collected import notice_collected
from drydown.jobs.ledger import LedgerDamaged, LedgerFailed
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from drydown.jobs.states import WAITING
from drydown.service.asks import serve
from drydown.service.doors import Doors
from drydown.service.measured import MeasuredFolders
from drydown.service.telling import Teller
from drydown.service.workshop import Workshop
from drydown.showing import shown

STUDIO_LOOK_S = 2.0  #: how often the studio's files are looked at for changes when nothing happens
REQUEST_LOOK_S = 0.5  #: how often requests are looked for when nothing else happens
GRACE_S = 30.0  #: how long attempts may go on after the first signal
HOUSEKEEPING_S = 60.0
REST_S = 2.0  #: how often a machine that failed under the loop is looked at again
CLAIM_AGAIN_S = 2.0  #: how long no picture is taken after the file system has failed in it
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
        self._root, self._listener, self._monotonic = root, listener, monotonic
        self._hints = Hints()
        self._stops = 0
        self._teller = Teller(Places(root).live, monotonic=monotonic)
        self._workshop = self._open()
        self._doors = self._new_doors()
        self._measured = self._new_measured()
        self._no_claims_until = 0.0
        self._told_troubles: tuple[str, ...] = ()
        self._told_modes: list[str] = []
        self._housekeeping_at = 0.0
        self._studio_at = 0.0
        self._told_fault = ""

    def stop(self) -> None:
        """End cleanly; a second time at once. Safe from a signal handler and from any thread."""
        self._stops += 1
        self._hints.wake()

    def run(self) -> None:
        """Work until stopped. Where the machine fails under the loop itself, rest until it is well, then recover as after any end.

        Raises LedgerFailed where nobody knows what a commit has left on the disk: this process must end, and the next start recovers.
        """
        try:
            while True:
                try:
                    self._work()
                    return
                except (OSError, MachineFault) as error:
                    if not _passes(error):
                        raise
                    if not self._rest(error):
                        return
        finally:
            self._teller.end()

    def _work(self) -> None:
        with contextlib.ExitStack() as stack:
            stack.callback(self._workshop.close)
            stack.callback(lambda: self._doors.close())
            stack.callback(lambda: self._measured.close())
            self._workshop.starter.warm()
            requests.recover(self._workshop.places.requests)
            count, at_once = len(self._doors.folders), self._workshop.engine.at_once
            head = f"watching {count} hot folder{'s' if count != 1 else ''}, {at_once} at once"
            self._listener.say(head)
            self._told_modes = []
            self._tell_modes()
            self._teller.ready()
            told = Told()
            while not self._stops:
                self._turn(told)
                told = self._hints.wait(self._wait_s())
            self._finish()

    def _tell_modes(self) -> None:
        """Which folders are watched by events and which by rescans alone, and why: at the start, and when that has changed."""
        modes = self._doors.modes()
        for mode in modes:
            if mode not in self._told_modes:
                self._listener.say(f"  {mode}")
        if modes != self._told_modes:
            self._workshop.log.write("watching", hot_folders=modes)
        self._told_modes = modes

    def _rest(self, error: Exception) -> bool:
        """Everything is closed; open it again as soon as that can be done. False when stopped meanwhile."""
        told = ""
        while not self._stops:
            if str(error) != told:
                told = str(error)
                self._listener.say(f"paused, and tried again every {REST_S:g} s: {told}")
            self._teller.resting(told)
            self._hints.wait(REST_S)
            try:
                self._reopen()
            except (OSError, MachineFault, Busy, StudioError) as again:
                if not _passes(again):
                    raise
                error = again
                continue
            self._listener.say("the machine is well again, going on")
            return True
        return False

    def _reopen(self) -> None:
        self._workshop = self._open(resumed=True)
        try:
            self._doors = self._new_doors()
            self._measured = self._new_measured()
        except BaseException:
            self._workshop.close()
            raise

    def _open(self, *, resumed: bool = False) -> Workshop:
        """A service that starts with the machine must not stand still for one recipe that somebody was in the middle of."""
        workshop = Workshop(
            self._root,
            what="drydown watch",
            say=self._listener.say,
            wake=self._hints.wake,
            resumed=resumed,
            leave_out=True,
        )
        self._tell_left_out(workshop)
        return workshop

    def _tell_left_out(self, workshop: Workshop) -> None:
        if faults := workshop.house.studio.left_out:
            said = "\n".join(f"  {fault}" for fault in faults)
            self._listener.say(
                f"recipes with faults are off until these are mended; the others go on:\n{said}"
            )
            workshop.log.write("studio faulty", reason=said.strip())

    def _wait_s(self) -> float:
        due = self._workshop.engine.next_due_s()
        until_scan = max(0.0, self._doors.next_at - self._monotonic())
        return min(REQUEST_LOOK_S, until_scan, REQUEST_LOOK_S if due is None else due)

    def _turn(self, told: Told) -> None:
        now = self._monotonic()
        # whoever saves a recipe and then drops a picture or asks for something means the new recipe
        asked = requests.waiting(self._workshop.places.requests)
        self._look_at_studio(now, at_once=told.everything or bool(asked or told.paths))
        self._take_in(asked)
        self._workshop.tell_sandbox()
        room = self._doors.more and self._room(now) > 0
        if told.paths or told.everything or now >= self._doors.next_at or room:
            self._scan(now, told)
        for row in self._workshop.engine.start_ready():
            self._listener.job(row)
        self._measured.look(now)
        self._keep_house(now)
        self._tidy()
        running = tuple(sorted(self._workshop.engine.running))
        studio = self._workshop.house.studio
        off = (*studio.off.values(), *studio.off_folders.values())
        problems = (*off, *self._doors.problems, *self._troubles())
        self._listener.status(Status(self._doors.waiting, self._queued(), running, problems))
        self._teller.turn(self._workshop, self._doors, problems)

    def _troubles(self) -> tuple[str, ...]:
        """What the machine lacks now; each is said once, and so is its end."""
        troubles = self._workshop.engine.fitness.troubles
        if troubles != self._told_troubles:
            said = " ".join(troubles) or "the machine is fit again, paused pictures go on"
            self._listener.say(said)
            self._workshop.log.write("machine unfit" if troubles else "machine fit", reason=said)
        self._told_troubles = troubles
        return troubles

    def _queued(self) -> int:
        return self._workshop.desk.publisher.ledger.count(*WAITING)

    def _room(self, now: float) -> int:
        """How many more pictures may be claimed."""
        if now < self._no_claims_until or self._workshop.engine.fitness.stopped:
            return 0  # a picture is nowhere safer than where it was dropped
        return max(0, self._workshop.engine.at_once * CLAIM_AHEAD - self._queued())

    def _take_in(self, asked: Sequence[str]) -> None:
        """Answers of attempts, and what commands ask."""
        rows = self._workshop.engine.settle()
        rows += serve(self._workshop, asked, time.time())
        for row in rows:
            self._listener.job(row)
        self._workshop.tell_observers(rows)

    def _scan(self, now: float, told: Told) -> None:
        """Look, claim what is ready and there is room for, and plan it."""
        found = self._doors.look(now, told.paths, everything=told.everything, want=self._room(now))
        self._adopt(found.returned)
        for ready in found.ready:
            self._claim(ready, now)
        if now < self._no_claims_until:
            self._doors.next_at = min(self._doors.next_at, self._no_claims_until)
        for one in self._doors.overdue(now):
            self._listener.say(f"{one.folder}: {shown(one.relative)} waits: {one.why}")
            self._workshop.log.write(
                "waits", hot_folder=one.folder, source=shown(one.relative), reason=one.why
            )
        self._tell_modes()
        while self._doors.complaints:
            self._workshop.log.write("watcher", says=self._doors.complaints.pop(0))
        for trouble in (trouble for trouble in found.problems if trouble.new):
            self._listener.say(f"{trouble.folder}: {trouble.what}")
            self._workshop.log.write("folder trouble", hot_folder=trouble.folder, what=trouble.what)

    def _adopt(self, names: Collection[str]) -> None:
        """Take up what was claimed in folders that were away at the start."""
        if not names:
            return
        try:
            for row in self._workshop.adopt_again(names):
                self._listener.job(row)
        except OSError as error:
            if not is_machines(error):
                raise
            self._workshop.log.write("not adopted", reason=str(error))  # looked at again

    def _claim(self, ready: Ready, now: float) -> None:
        reception, log = self._workshop.reception, self._workshop.log
        job = reception.new_job()
        try:
            claimed = claim(ready, job, time.time())
        except (OSError, FolderOffline) as error:
            if _may_hold(ready.folder.path / TAKEN / job, ready):
                raise  # something was moved and could not be put back, and no row tells of it: recovery adopts it
            if is_machines(error):
                self._no_claims_until = now + CLAIM_AGAIN_S
                self._workshop.engine.fitness.suspect_taking(ready.folder.path / TAKEN)
            else:
                self._doors.put_off(ready, f"it cannot be taken: {error}", now)
            log.write("cannot be taken", source=shown(ready.relative), reason=str(error))
            return
        if claimed is None:
            return
        self._doors.taken(ready)
        log.write("claimed", claimed.job, source=shown(claimed.dropped.name), hot_folder=claimed.folder)
        self._listener.job(reception.take(claimed))

    def _look_at_studio(self, now: float, *, at_once: bool) -> None:
        """Read the studio again where a person changed it; a faulty one is told of once, and the old one stands."""
        due = now >= self._studio_at
        if not due and not at_once:
            return
        if due:
            self._studio_at = now + STUDIO_LOOK_S
        try:
            if not self._workshop.reload(at_once=not due):
                return
        except OSError as error:
            if not is_machines(error):
                raise
            self._workshop.log.write(
                "studio not read", reason=str(error)
            )  # the last one stands; looked at again
            return
        except StudioError as error:
            if str(error) != self._told_fault:
                self._told_fault = str(error)
                self._listener.say(f"the studio's files have faults now; the last good ones stand:\n{error}")
                self._workshop.log.write("studio faulty", reason=str(error))
            return
        self._told_fault = ""
        self._listener.say("the studio's files have changed and were read again")
        self._tell_left_out(self._workshop)
        self._doors.close()
        self._doors = self._new_doors()
        self._measured.close()
        self._measured = self._new_measured()

    def _new_doors(self) -> Doors:
        settings = self._workshop.house.studio.settings.daemon
        return Doors(self._workshop.folders, settings, self._hints.add)

    def _new_measured(self) -> MeasuredFolders:
        settings = self._workshop.house.studio.settings
        return MeasuredFolders(
            self._workshop.places, settings.measured_folder, settings.daemon, self._listener.say
        )

    def _keep_house(self, now: float) -> None:
        if now < self._housekeeping_at:
            return
        self._housekeeping_at = now + HOUSEKEEPING_S
        self._adopt(self._workshop.unadopted)
        with contextlib.suppress(OSError, MachineFault):
            requests.clean(self._workshop.places.requests, now=time.time())
            notice_collected(self._workshop.desk.publisher.ledger)

    def _tidy(self) -> None:
        """A little of the rule for old originals. A fault of the disk is no reason to stop: tomorrow is another day."""
        try:
            self._workshop.tidying.turn()
        except OSError as error:
            self._workshop.log.write("original kept", reason=str(error))

    def _finish(self) -> None:
        """After the first signal: attempts under way may finish; after the second they are ended."""
        end, engine = self._monotonic() + GRACE_S, self._workshop.engine
        self._teller.stopping()
        if engine.running:
            self._listener.say(
                f"stopping: {len(engine.running)} at work may finish; once more ends them at once"
            )
        while engine.running and self._stops < 2 and self._monotonic() < end:
            self._hints.wait(0.2)
            self._teller.alive()
            rows = engine.settle(go_on=False)
            for row in rows:
                self._listener.job(row)
            self._workshop.tell_observers(rows)


def _may_hold(taken: Path, ready: Ready) -> bool:
    """True where the picture or its settings lie in the job's folder, and where nobody can tell: the answer to their rename may have been lost with the share."""
    for name in filter(None, (ready.name, ready.settings)):
        try:
            (taken / name).lstat()
            return True
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as error:
            if is_machines(error):
                return True
    return False


def _passes(error: Exception) -> bool:
    """True for a fault after which this very process can go on once the cause is gone."""
    if isinstance(error, OSError):
        return is_machines(error)
    return not isinstance(error, LedgerFailed | LedgerDamaged)
