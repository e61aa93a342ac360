"""A studio at work: lock, plugins, ledger after recovery, starter, engine, reception. What the daemon and a run of the command line share.

Opening takes the lock first and recovers before anything is claimed; closing ends every child.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Self

from drydown.discovery import Origin
from drydown.errors import DrydownError, StudioError, is_machines
from drydown.intake import adopt, complete, filesystem, folder
from drydown.intake.claim import give_back
from drydown.intake.record import Claimed
from drydown.intake.whose import Studio
from drydown.jobs.attempts import Attempts
from drydown.jobs.desk import Desk
from drydown.jobs.engine import Engine
from drydown.jobs.fitness import BALLAST, Fitness
from drydown.jobs.forks import Starter
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.lock import StudioLock
from drydown.jobs.places import Places
from drydown.jobs.publish import boot_id
from drydown.jobs.recovery import Adoptable, Recovered, adopt_late, recover
from drydown.jobs.sandbox.found import insist
from drydown.jobs.space import Ballast
from drydown.jobs.states import WAITING
from drydown.service import identities
from drydown.service.house import House, open_house, signature_of
from drydown.service.observers import Observers
from drydown.service.reception import RUN, Reception
from drydown.service.tidying import Tidying
from drydown.showing import shown

Say = Callable[[str], None]


class Workshop:
    """Everything that works on jobs. Use as a context; one thread. `say` gets sentences for a person, `wake` is called from other threads.

    `resumed`: opened again after a fault of the machine, for which no job is to blame. `leave_out`: recipes with faults are off, and the others go on.
    """

    def __init__(
        self,
        root: Path,
        *,
        what: str,
        say: Say,
        wake: Callable[[], None],
        resumed: bool = False,
        leave_out: bool = False,
    ) -> None:
        self.places = Places(root)
        self.studio = Studio.at(root)
        self.lock = StudioLock.take(self.places.lock, what=what)
        try:
            complete.ignore_lease_breaks()
            self.house = open_house(root, leave_out=leave_out)
            self._read = self.house.signature  # of the files that were read last, faulty ones too
            self.say = say
            self.log = JobLog(self.places.log)
            self.observers = Observers(self.log)
            self.hot = _hot_paths(self.house)
            self.unadopted: set[str] = set()  # hot folders that could not be looked into at the start
            Ballast(
                self.places.state / BALLAST, self._keep_free_bytes
            ).trim()  # recovery must be able to write
            self.desk, done = self._recover(charged=not resumed)  # what it did stands in the job log
            try:
                self._open(wake, rebuilt=bool(done.rebuilt))
            except BaseException:
                self.desk.publisher.ledger.close()
                raise
        except BaseException:
            self.lock.release()
            raise

    def _open(self, wake: Callable[[], None], *, rebuilt: bool) -> None:
        settings = self.house.studio.settings.daemon
        cores = os.cpu_count() or 1
        at_once = settings.at_once(cores=cores, memory_mb=_memory_mb())
        self.starter = Starter(
            self._preload(), cores=cores, sandbox=settings.sandbox, scratch=self.places.work
        )
        self._sandbox_told = False
        if settings.sandbox == "required":
            self._insist()
        self.executor = ThreadPoolExecutor(at_once, thread_name_prefix="attempt")
        self.attempts = Attempts(self.starter, self.places.work)
        fitness = Fitness(
            self.places,
            keep_free_bytes=self._keep_free_bytes,
            was_marked=self.desk.publisher.was_marked,
        )
        self.engine = Engine(self.desk, self.attempts, self.executor, fitness, at_once=at_once, wake=wake)
        self.reception = Reception(lambda: self.house, self.desk)
        self.tidying = Tidying(
            self.places,
            self.desk.publisher.ledger,
            self.log,
            lambda: self.house.studio.settings.retention.originals_days,
        )
        if rebuilt:
            self._expect_markers()
        self.folders = self._hot_folders(self.hot)
        self._plan_adopted()

    def _insist(self) -> None:
        try:
            insist(self.starter.sandbox())
        except BaseException:
            self.starter.close()
            raise

    def tell_sandbox(self) -> None:
        """Say once, as soon as it is known, what pictures' processes are enclosed by: into the log, and aloud where something is missing."""
        found = self.starter.found
        if found is None or self._sandbox_told:
            return
        self._sandbox_told = True
        self.log.write("sandbox", **found.as_data())
        if found.wanted != "off" and not found.whole:
            self.say("\n  ".join(["the sandbox is not whole", *found.lines()]))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End every child and let the studio go. What was under way is taken up again at the next start."""
        self.starter.close()
        self.executor.shutdown(wait=True, cancel_futures=True)
        self.observers.close()
        self.desk.publisher.ledger.close()
        self.log.close()
        self.lock.release()

    def reload(self, *, at_once: bool = False) -> bool:
        """Read the studio again where a person has changed it. True when it is new. Raises StudioError for a faulty one; the old one stands.

        `at_once`: asked before something that must not go by an old recipe, perhaps often; files that were faulty as they are now are not read for it again.
        """
        found = signature_of(self.places.root)
        if found == self.house.signature or (at_once and found == self._read):
            return False
        self._read = found
        before, house = self._preload(), self._read_again()
        hot = _hot_paths(house)
        self.folders = self._hot_folders(hot)
        self.house, self.hot = house, hot  # last: what fails before is looked at again
        if (
            self._preload() != before
        ):  # a plugin changed: children must be forked from a starter that has the new one
            self.starter.replace(self._preload())
        return True

    def _read_again(self) -> House:
        """The studio as it is now. Recipes that have been off since the start may still be; a new fault is one of the whole studio."""
        try:
            return open_house(self.places.root)
        except StudioError:
            known = {fault.file for fault in self.house.studio.left_out}
            if not known:
                raise
            house = open_house(self.places.root, leave_out=True)
            if not {fault.file for fault in house.studio.left_out} <= known:
                raise
            return house

    def tell_observers(self, rows: Iterable[JobRow]) -> None:
        """Let observers know of each job that has ended; one that fails is logged and changes nothing."""
        for row in (row for row in rows if row.is_final):
            self.observers.tell(self.house.discovery.manager, row.id, self.desk.record(row), row.state)
        self.observers.look()

    @property
    def _keep_free_bytes(self) -> int:
        return self.house.studio.settings.daemon.keep_free_mb << 20

    def _recover(self, *, charged: bool) -> tuple[Desk, Recovered]:
        known = identities.known(self.places.ledger, self.hot)
        found: list[Adoptable] = []
        for name, path in self.hot.items():
            ours = (folder.MARKER, folder.TAKEN)
            if not known.get(name) and not any(os.path.lexists(path / one) for one in ours):
                continue  # a folder that a person has just named: it is set up below
            found += self._adoptables(name, path, known.get(name, ""))
        copies = adopt.adopt_copies(self.places.copies, RUN)
        found += [_adoptable(claimed, copied=True) for claimed in copies.claimed]
        return recover(
            self.places,
            found,
            prints=self._prints(),
            boot=boot_id(),
            kind_of=filesystem.kind,
            log=self.log,
            charged=charged,
        )

    def adopt_again(self, names: Iterable[str]) -> list[JobRow]:
        """Take up what is claimed in these hot folders, where that could not be done at the start; the jobs that nobody knew of."""
        found: list[Adoptable] = []
        for name in self.unadopted & set(names) & self.hot.keys():
            identity = self.desk.publisher.ledger.fact(identities.fact_of(self.hot[name]))
            found += self._adoptables(name, self.hot[name], identity)
        adopt_late(self.desk, found, prints=self._prints())
        return self._plan_adopted()

    def _adoptables(self, name: str, path: Path, identity: str) -> list[Adoptable]:
        """What is claimed in a hot folder; nothing where it is away, which stops no other folder."""
        try:
            adoption = adopt.adopt(folder.HotFolder(name, path, identities.marked(identity), self.studio))
        except (folder.FolderOffline, OSError) as error:
            if name not in self.unadopted:  # once
                self.say(str(error))
            self.unadopted.add(name)
            return []
        self.unadopted.discard(name)
        for note in adoption.notes:
            self.say(note)
        return [_adoptable(claimed) for claimed in adoption.claimed if not self._given_back(claimed, path)]

    def _plan_adopted(self) -> list[JobRow]:
        """Plan what was adopted after a crash between claim and plan; what lies in a folder that is away waits for it."""
        rows = self.desk.publisher.ledger.in_stage(*WAITING)
        unplanned = [row for row in rows if not row.spec_json and row.hot_folder not in self.unadopted]
        return [self.reception.planned(row) for row in unplanned]

    def _prints(self) -> list[Path]:
        return [*(hot.prints for hot in self.house.studio.hot_folders), self.places.root / "prints" / RUN]

    def _given_back(self, claimed: Claimed, path: Path) -> bool:
        """True for a picture that was claimed a moment too early, just before a crash: it goes back, and settles again."""
        if claimed.settled or claimed.staged or claimed.trouble:
            return False
        try:
            with LedgerView.read(self.places.ledger) as ledger:
                if ledger.has(claimed.job):
                    return False
        except DrydownError:
            return False
        give_back(claimed, folder.HotFolder(claimed.folder, path, studio=self.studio))
        return True

    def _expect_markers(self) -> None:
        """The ledger was lost: a hot folder that is there without its marker may be an empty mount point, and must not be set up as a new one."""
        for path in self.hot.values():
            if os.path.lexists(path) and not os.path.lexists(path / folder.MARKER):
                self.desk.publisher.ledger.remember(identities.fact_of(path), identities.EXPECTED)

    def _hot_folders(self, hot: Mapping[str, Path]) -> list[folder.HotFolder]:
        return [self._hot_folder(name, path) for name, path in hot.items()]

    def _hot_folder(self, name: str, path: Path) -> folder.HotFolder:
        """The folder with the identity that the ledger knows; one that it does not know yet is set up now, and only now."""
        ledger, fact = self.desk.publisher.ledger, identities.fact_of(path)
        identity = ledger.fact(fact)
        if identity == identities.EXPECTED and not os.path.lexists(path / folder.MARKER):
            return folder.HotFolder(name, path, studio=self.studio)  # its scans say that it is offline
        if not identities.marked(identity):
            try:
                identity = folder.set_up(path, secrets.token_hex(8))
            except (folder.FolderOffline, OSError) as error:
                if is_machines(error):  # it passes, and then the folder must be set up
                    raise
                self.say(f"{shown(str(path))} cannot be set up: {error}")
                return folder.HotFolder(name, path, studio=self.studio)
            ledger.remember(fact, identity)
        return folder.HotFolder(name, path, identity, self.studio)

    def _preload(self) -> tuple[Origin, ...]:
        origins = {origin.module: origin for origin in self.house.discovery.origins.values()}
        return tuple(origins.values())


def _hot_paths(house: House) -> dict[str, Path]:
    return {hot.name: hot.path for hot in house.studio.hot_folders}


def _adoptable(claimed: Claimed, *, copied: bool = False) -> Adoptable:
    return Adoptable(
        job=claimed.job,
        path=claimed.path.parent,
        hot_folder=claimed.folder,
        original=claimed.name,
        source_name=shown(claimed.dropped.name),
        dropped=claimed.dropped,
        copied=copied,
        trouble=claimed.trouble,
    )


def _memory_mb() -> int:
    """Physical memory in megabytes."""
    return int(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / (1 << 20))
