"""What the daemon tells of itself as it goes: the service manager that it lives, the file in `state/` what it does. Looks, and changes nothing."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

from drydown.jobs.states import WAITING, Stage
from drydown.service.doors import Doors
from drydown.service.live import (
    MOST_FILES,
    AtWork,
    FolderLine,
    IgnoredFile,
    Live,
    LiveFile,
    PausedJob,
    WaitingFile,
)
from drydown.service.notify import Notifier
from drydown.service.workshop import Workshop
from drydown.showing import shown

MOST_PAUSED = 5


class Teller:
    """One a daemon, in its thread. `path`: the file; `monotonic`: the clock of the loop."""

    def __init__(
        self,
        path: Path,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        notifier: Notifier | None = None,
    ) -> None:
        self._file, self._monotonic = LiveFile(path, monotonic), monotonic
        self._notifier = notifier or Notifier()
        self._since: dict[str, tuple[str, float]] = {}  # job at work -> its picture's name, since when
        self._folders: tuple[FolderLine, ...] = ()
        self._looked: tuple[Doors, int] | None = None

    def ready(self) -> None:
        """Recovered, and watching."""
        self._notifier.ready()

    def alive(self) -> None:
        """Nothing new, but alive."""
        self._notifier.beat()

    def turn(self, workshop: Workshop, doors: Doors, troubles: tuple[str, ...]) -> None:
        """How things stand after a turn of the loop."""
        self._notifier.beat()
        if not self._file.is_due():
            return
        ledger = workshop.desk.publisher.ledger
        paused = ledger.count(Stage.PAUSED)
        live = Live(
            pid=os.getpid(),
            started="",
            starter=workshop.starter.pid,
            folders=self._folder_lines(workshop, doors),
            at_work=self._at_work(workshop),
            queued=ledger.count(*WAITING),
            held=ledger.count(Stage.HELD),
            paused=paused,
            paused_first=tuple(
                PausedJob(row.id, row.source_name, row.reason, row.not_before)
                for row in (ledger.in_stage(Stage.PAUSED, limit=MOST_PAUSED) if paused else ())
            ),
            troubles=troubles,
        )
        self._file.keep(live)
        self._notifier.say(live.line())

    def resting(self, reason: str) -> None:
        """The machine fails under the daemon, which waits."""
        self._notifier.beat()
        if self._file.is_due():
            self._file.keep(Live(pid=os.getpid(), started="", troubles=(reason,), resting=True))
            self._notifier.say(reason)

    def stopping(self) -> None:
        """No new work."""
        self._notifier.stopping()

    def end(self) -> None:
        """The daemon ends."""
        self._file.remove()

    def _folder_lines(self, workshop: Workshop, doors: Doors) -> tuple[FolderLine, ...]:
        """As of the last look: between two looks nothing is known that would be new."""
        if self._looked == (doors, doors.looks):
            return self._folders
        self._looked = (doors, doors.looks)
        paths = dict(workshop.hot)
        lines = []
        for state in doors.states(self._monotonic(), MOST_FILES):
            mode, why = doors.mode(state.folder)
            files = tuple(
                WaitingFile(shown(one.relative), one.kind, one.why, one.since) for one in state.oldest
            )
            ignored = tuple(IgnoredFile(shown(one.relative), one.why) for one in state.ignored_first)
            path = shown(str(paths[state.folder]))
            lines.append(
                FolderLine(
                    state.folder,
                    path,
                    mode,
                    why,
                    state.looked_at,
                    state.waiting,
                    files,
                    state.ignored,
                    ignored,
                )
            )
        self._folders = tuple(lines)
        return self._folders

    def _at_work(self, workshop: Workshop) -> tuple[AtWork, ...]:
        running, now = workshop.engine.running, self._monotonic()
        ledger = workshop.desk.publisher.ledger
        self._since = {
            job: self._since.get(job) or (ledger.job(job).source_name, now) for job in sorted(running)
        }
        return tuple(
            AtWork(job, source, since, workshop.attempts.pid(job))
            for job, (source, since) in self._since.items()
        )
