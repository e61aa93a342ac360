"""How the running daemon is, in a small file that it keeps in `state/`, for commands that only look: what it watches, what waits and why, what is paused.

Written whole by a rename, at most once a second when something has changed and every ten seconds in any case, so that silence means something.
Not synced: after a power cut there is no daemon to tell of. Times in it are monotonic seconds of this machine, which no change of the clock moves.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from drydown.durable import UNFINISHED_PREFIX, UNFINISHED_SUFFIX
from drydown.errors import MachineFault, NotFound
from drydown.jobs.ledger_rows import iso
from drydown.jobs.lock import is_held, owner, owner_pid
from drydown.jobs.places import Places

LIVE_VERSION = 2
WRITE_EVERY_S = 1.0
HEARTBEAT_S = 10.0
STALE_S = 30.0  #: after so long without a word the daemon hangs, or the machine is very busy
MOST_FILES = 20  #: waiting files that are named for each folder, the oldest


@dataclass(frozen=True, slots=True)
class WaitingFile:
    """A file in a hot folder that is not taken yet. `name` is escaped for showing."""

    name: str
    kind: str
    why: str
    since: float


@dataclass(frozen=True, slots=True)
class IgnoredFile:
    """A file or folder in a hot folder that is left alone for its name, which is escaped for showing."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class FolderLine:
    """`mode`: events or rescan, with what stands in the way of events as `mode_why`. `looked_at`: the last look at all of it.

    `ignored`: how many are left alone for their names, `ignored_first` a few of them.
    """

    name: str
    path: str
    mode: str
    mode_why: str
    looked_at: float | None
    waiting: int
    oldest: tuple[WaitingFile, ...] = ()
    ignored: int = 0
    ignored_first: tuple[IgnoredFile, ...] = ()


@dataclass(frozen=True, slots=True)
class AtWork:
    """A job whose attempt runs, in the process `pid` once it is known."""

    job: str
    source: str
    since: float
    pid: int | None


@dataclass(frozen=True, slots=True)
class PausedJob:
    """A job that waits for the machine; `until` in seconds since 1970."""

    job: str
    source: str
    reason: str
    until: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """Everything at one moment. `resting`: the machine failed under the daemon itself, which waits for it with everything closed."""

    live: int = LIVE_VERSION
    pid: int
    started: str  #: ISO 8601
    written: float = 0.0
    starter: int | None = None
    folders: tuple[FolderLine, ...] = ()
    at_work: tuple[AtWork, ...] = ()
    queued: int = 0
    held: int = 0
    paused: int = 0
    paused_first: tuple[PausedJob, ...] = ()
    troubles: tuple[str, ...] = ()
    resting: bool = False

    @property
    def in_folders(self) -> int:
        """Files that wait in hot folders."""
        return sum(folder.waiting for folder in self.folders)

    def line(self) -> str:
        """All of it in one line."""
        parts = [
            f"{len(self.at_work)} at work",
            f"{self.queued} queued",
            f"{self.in_folders} in the hot folders",
        ]
        return ", ".join(parts + list(self.troubles))


class LiveFile:
    """The file as the daemon keeps it. `monotonic` is the clock of every duration in it."""

    def __init__(self, path: Path, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._path, self._monotonic = path, monotonic
        self._last: Live | None = None
        self._started = iso(time.time())
        self._due = 0.0

    def is_due(self) -> bool:
        """True when a second has gone by since the last look at everything."""
        return self._monotonic() >= self._due

    def keep(self, live: Live) -> None:
        """Write what has changed, or the sign of life. Never raises for the disk's sake."""
        now = self._monotonic()
        self._due = now + WRITE_EVERY_S
        live = replace(live, started=self._started, written=0.0)
        last, self._last = self._last, live
        if last is not None and replace(last, written=0.0) == live and now - last.written < HEARTBEAT_S:
            self._last = last
            return
        self._last = replace(live, written=now)
        aside = self._path.with_name(f"{UNFINISHED_PREFIX}live{UNFINISHED_SUFFIX}")
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
            fd = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
            with os.fdopen(fd, "w", encoding="utf-8") as file:
                json.dump(asdict(self._last), file, ensure_ascii=True)
            aside.replace(self._path)

    def remove(self) -> None:
        """The daemon ends: nobody is to be told of any more."""
        with contextlib.suppress(OSError):
            self._path.unlink()


def read_live(places: Places, monotonic: Callable[[], float] = time.monotonic) -> tuple[Live, float]:
    """What the daemon has told, and how many seconds ago. Raises NotFound where no daemon runs, MachineFault where one runs and tells nothing."""
    held = is_held(places.lock)
    try:
        live = _live(json.loads(places.live.read_bytes()))
    except (OSError, ValueError, TypeError, KeyError):
        live = None
    age_s = monotonic() - live.written if live is not None else 0.0
    if live is not None and 0 <= age_s < STALE_S and live.resting:
        return live, age_s
    if not held:
        raise NotFound("no daemon runs in this studio; start it with: drydown watch")
    if live is None or live.pid != owner_pid(places.lock):
        raise MachineFault(
            f"the studio is in use by {owner(places.lock)}, which has told nothing of itself: "
            "it is starting or recovering, or it is a command and no daemon"
        )
    return live, age_s


def _live(data: dict[str, Any]) -> Live:
    if data["live"] != LIVE_VERSION:
        raise ValueError("another version")
    folders = [_folder(one) for one in data["folders"]]
    at_work = tuple(AtWork(**one) for one in data["at_work"])
    paused = tuple(PausedJob(**one) for one in data["paused_first"])
    troubles = tuple(str(one) for one in data["troubles"])
    parts = {"folders": tuple(folders), "at_work": at_work, "paused_first": paused, "troubles": troubles}
    return Live(**(data | parts))


def _folder(data: dict[str, Any]) -> FolderLine:
    oldest = tuple(WaitingFile(**file) for file in data["oldest"])
    ignored_first = tuple(IgnoredFile(**file) for file in data["ignored_first"])
    return FolderLine(**(data | {"oldest": oldest, "ignored_first": ignored_first}))
