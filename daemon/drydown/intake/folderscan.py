"""The rescan of one hot folder: what is in it, whether it is there at all, what may be claimed. Time comes in, nothing is moved.

Two kinds of look. A full one lists everything and is the truth; it comes at the start, every few seconds and whenever something was
amiss. In between only files that a watcher told of, and files whose time has come, are looked at.
"""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from drydown.intake import filesystem, walk
from drydown.intake.arrivals import Arrivals
from drydown.intake.filesystem import Kind
from drydown.intake.folder import FolderOffline, HotFolder, below, joined, split
from drydown.intake.found import Ignored, IntakeTimes, Ready, Trouble
from drydown.intake.gate import Gate
from drydown.intake.ignored import ignored
from drydown.intake.owner import opened
from drydown.intake.sidecar import Neighbours, is_settings
from drydown.showing import shown

_FILES_PER_STRETCH = 2000  #: each so many files make the time between two full looks longer by its own length


class FolderScan:
    """State of one hot folder between scans. A fault of the folder forgets it all: nothing is concluded across a gap."""

    def __init__(
        self, folder: HotFolder, times: IntakeTimes, kind_of: Callable[[Path], Kind] = filesystem.kind
    ) -> None:
        self.folder = folder
        self.arrivals = Arrivals(times, "unknown")
        self.ignored: dict[str, int] = {}
        self.ignored_first: tuple[Ignored, ...] = ()
        self._times = times
        self._kind_of = kind_of
        self._place: tuple[int, int] | None = None
        self.looked_at: float | None = None  #: the last look at everything that succeeded
        self._full_at = -math.inf
        self._tries = 0
        self._returned = False
        self._troubles: dict[str, float] = {}
        self._reported: set[str] = set()

    def look(self, now: float, told: Iterable[str], everything: bool) -> None:
        """Look at the whole folder when it is time or `everything`, else at the files `told` (relative paths)."""
        if self._tries and now < self._full_at:
            return
        paths = [path for path in told if not any(ignored(part) for part in path.split("/"))]
        try:
            with opened(self.folder) as at:
                root = at.root
                self._recognise(os.fstat(root), now)
                if everything or now >= self._full_at or any(_is_folder(root, path) for path in paths):
                    self._look_at_all(root, now)
                for path in paths:
                    self._look_at_told(root, path, now)
        except (FolderOffline, OSError) as error:
            self._fell_ill(error, now)

    def choose(self, now: float) -> Iterator[Ready]:
        """The pictures that may be claimed, oldest arrival first, each judged only when it is asked for."""
        if not self.arrivals.has_due(now):
            return
        try:
            with opened(self.folder) as at:
                gate = Gate(self.folder, at.root, self.arrivals, self._times, now=now, again_at=self._full_at)
                for relative in self.arrivals.due(now):
                    ready = gate.judge(relative)
                    if ready is not None:
                        yield ready
        except (FolderOffline, OSError) as error:
            self._fell_ill(error, now)

    def next_look_at(self, now: float) -> float:
        """When a scan can find something new, if nobody tells of anything."""
        return min(self._full_at, self.arrivals.next_due(now))

    def troubles(self) -> list[Trouble]:
        """What is wrong now; `new` is true once for each text."""
        found = [
            Trouble(self.folder.name, what, since, what not in self._reported)
            for what, since in self._troubles.items()
        ]
        self._reported = set(self._troubles)
        return found

    def has_returned(self) -> bool:
        """True once after the folder came back, or was replaced by another one of its path."""
        returned, self._returned = self._returned, False
        return returned

    def _recognise(self, found: os.stat_result, now: float) -> None:
        """Is it the folder of the last time? A share that came back, or another folder of that path, starts anew."""
        place = (found.st_dev, found.st_ino)
        if place != self._place:
            self._returned = self._returned or self._place is not None
            self._place = place
            self.arrivals = Arrivals(self._times, self._kind_of(self.folder.path))
            self._full_at = now

    def _look_at_all(self, root: int, now: float) -> None:
        on_the_way = walk.Walk()
        seen: set[str] = set()
        for within, fd, names in walk.folders(root, self._times.depth, on_the_way):
            neighbours = Neighbours(names.files)
            faults: list[tuple[str, OSError]] = []
            for name in names.files:
                relative = joined(within, name)
                try:
                    is_there = self.arrivals.look_at(fd, relative, name, now)
                except OSError as error:  # of this file; what the others tell still holds
                    faults.append((name, error))
                    continue
                if is_there:
                    seen.add(relative)
                    if is_settings(name):
                        self.arrivals.note_settings(relative, neighbours.is_alone(name))
            if faults:
                on_the_way.unreadable(within, faults)
        self.arrivals.keep_only(seen)
        self.ignored, self.ignored_first = on_the_way.ignored, tuple(on_the_way.ignored_first)
        self._troubles = {what: self._troubles.get(what, now) for what in on_the_way.troubles}
        if self._tries:
            self._returned, self._tries = True, 0
        self.looked_at = now
        self._full_at = now + self._times.rescan_s * (1 + len(seen) / _FILES_PER_STRETCH)

    def _look_at_told(self, root: int, relative: str, now: float) -> None:
        within, name = split(relative)
        try:
            with below(root, within) as fd:
                if self.arrivals.look_at(fd, relative, name, now):
                    self.arrivals.tell(relative, now)
        except OSError:
            return  # the hint was wrong or late; the next full look knows

    def _fell_ill(self, error: Exception, now: float) -> None:
        """The whole folder is out of reach: forget what was seen, say it once, try again later and later."""
        what = str(error)
        if isinstance(error, OSError):
            reason = os.strerror(error.errno or 0)
            what = f"{shown(str(self.folder.path))} cannot be read: {reason}; tried again by itself"
        self.arrivals = Arrivals(self._times, self.arrivals.kind)
        self.ignored, self.ignored_first = {}, ()
        wait_s = min(
            self._times.folder_retry_first_s * 2.0 ** min(self._tries, 30), self._times.folder_retry_most_s
        )
        self._tries += 1
        self._full_at = now + wait_s
        self._troubles = {what: self._troubles.get(what, now)}


def _is_folder(root: int, relative: str) -> bool:
    try:
        return stat.S_ISDIR(os.stat(relative, dir_fd=root, follow_symlinks=False).st_mode)
    except OSError:
        return False
