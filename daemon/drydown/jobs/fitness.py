"""Whether the machine may be given work, folder by folder, so that nothing is begun that cannot end.

Before a start each folder that the job needs is asked for room. After a fault of the machine the same folders are tried: a small file is written,
synced and renamed, a folder made, everything removed. One that fails is closed: its jobs wait, without being charged, until the trial
succeeds. So a dead share stops its own pictures and no others, a thousand of them are one try and not a thousand, and work goes on within
seconds of the cause being gone, however long the pauses of single jobs have grown.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from drydown import durable
from drydown.errors import MachineFault
from drydown.jobs.places import Places, has_marker
from drydown.jobs.space import Ballast, bound_bytes, shortage
from drydown.jobs.spec import JobSpec

LOOK_S = 2.0  #: how often a closed folder is tried again
BALLAST = "ballast"
#: a name that recovery removes if a crash leaves it
_TRIAL = f"{durable.UNFINISHED_PREFIX}trial{durable.UNFINISHED_SUFFIX}"
_TRIAL_BYTES = bytes(4096)


class Fitness:
    """One a studio, in the thread that owns the ledger. `was_marked(prints)`: True when sheets were put there before. `now`: monotonic seconds."""

    def __init__(
        self,
        places: Places,
        *,
        keep_free_bytes: int,
        was_marked: Callable[[Path], bool],
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.ballast = Ballast(places.state / BALLAST, keep_free_bytes)
        self._places, self._keep_free = places, keep_free_bytes
        self._own = (places.state, places.work)  # two, since work may be put on a disk of its own
        self._was_marked, self._now = was_marked, now
        self._closed: dict[Path, str] = {}
        # folders in which an original waits: where one is missing, its share is away
        self._expected: set[Path] = set()
        self._wanted: dict[Path, int] = {}
        self._look_at = 0.0

    @property
    def troubles(self) -> tuple[str, ...]:
        """What stands in the way now, a sentence a folder."""
        return tuple(dict.fromkeys(self._closed.values()))

    @property
    def stopped(self) -> bool:
        """True while nothing at all may start: a folder that every job needs is in trouble."""
        return any(folder in self._closed for folder in self._own)

    def why_not(self, spec: JobSpec, *, promised_bytes: int = 0) -> str:
        """Why this job may not start now, as a sentence; empty when it may. `promised_bytes`: what attempts under way may still need."""
        wanted = bound_bytes(spec) + promised_bytes + self._keep_free
        for folder in self._folders(spec):
            if folder not in self._closed and (short := shortage(folder, wanted)):
                self._close(folder, short, wanted)
            if folder in self._closed:
                return self._closed[folder]
        return ""

    def suspect(self, spec: JobSpec) -> None:
        """The machine was at fault in this job: try its folders now, and close those that fail."""
        self._try_all(self._folders(spec))

    def suspect_taking(self, taken: Path) -> None:
        """The machine was at fault before there was a job: a picture could not be moved into `taken`."""
        self._try_all((*self._own, taken))

    def suspect_original(self, source: Path) -> str:
        """A claimed picture cannot be seen. Why the folder that all claimed ones of its hot folder lie in is closed, as a sentence; empty where that folder is well."""
        taken = source.parents[1]
        self._expected.add(taken)
        self._try_all((taken,))
        return self._closed.get(taken, "")

    def _try_all(self, folders: tuple[Path, ...]) -> None:
        for folder in folders:
            if folder not in self._closed and (why := self._tried(folder)):
                self._close(folder, why, self._keep_free)
            if self.stopped:
                return

    def look(self) -> bool:
        """Now and then: trim the ballast, and try closed folders. True when one has just been opened again."""
        self.ballast.trim()
        if not self._closed or self._now() < self._look_at:
            return False
        self._look_at = self._now() + LOOK_S
        before = len(self._closed)
        for folder in list(self._closed):
            if not (shortage(folder, self._wanted[folder]) or self._tried(folder)):
                del self._closed[folder], self._wanted[folder]
        return len(self._closed) < before

    def _folders(self, spec: JobSpec) -> tuple[Path, ...]:
        """Where a job works, where its sheet goes, where its original lies."""
        return (*self._own, spec.prints, spec.source.parent)

    def _close(self, folder: Path, why: str, wanted: int) -> None:
        self._closed[folder], self._wanted[folder] = why, wanted
        self._look_at = self._now() + LOOK_S

    def _tried(self, folder: Path) -> str:
        """Do in `folder` what a job does; what went wrong, as a sentence, or empty. A folder that is not there yet is for others to judge."""
        try:
            if self._was_marked(folder) and not has_marker(folder):
                raise MachineFault(
                    "it is offline: its marker file is missing, so this may be an empty mount point"
                )
            if folder.is_dir():
                _try(folder)
            elif folder in self._expected:
                return f"{self._places.shown(folder.parent)} is offline, and claimed pictures wait in it; mount it, and they go on by themselves."
        except OSError as error:
            return self._said(folder, (error.strerror or str(error)).lower())
        except MachineFault as error:
            return self._said(folder, str(error))
        return ""

    def _said(self, folder: Path, why: str) -> str:
        where = self._places.shown(folder)
        return f"{where} cannot be written to ({why}); mend that, and the pictures go on by themselves."


def _try(folder: Path) -> None:
    """One of each: open, write, sync, close, rename, make a folder, remove. Raises OSError."""
    trial = folder / _TRIAL
    if trial.is_dir():  # left by a crash
        trial.rmdir()
    durable.unlink_durable(trial)
    durable.make_dir(trial)
    trial.rmdir()
    durable.write_atomic(trial, _TRIAL_BYTES, mode=0o600)
    durable.unlink_durable(trial)
