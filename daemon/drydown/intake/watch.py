"""Watching folders for events: a hint that makes the next rescan come sooner, and nothing else. The only module that knows watchdog.

Whoever starts a watcher imports this module then, not before. No watcher is a source of truth: a stalled process loses events, a share reports none, a watch
can go deaf when its folder is replaced. So the handler only passes paths on, is never allowed to raise (an exception would end the thread that
calls it, for good), and what cannot be watched is left to the rescans. Only the hot folder itself is watched; sub-folders are found by rescans.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from watchdog.events import (
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver, ObservedWatch

from drydown.intake import filesystem
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder
from drydown.showing import shown

if TYPE_CHECKING or sys.platform.startswith("linux"):
    from watchdog.observers.inotify import InotifyEmitter
    from watchdog.observers.inotify_c import InotifyConstants, InotifyFD, Mask

_EVENTS: list[type[FileSystemEvent]] = [
    FileCreatedEvent,
    FileClosedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    DirCreatedEvent,
    DirMovedEvent,
]


@dataclass(frozen=True, slots=True)
class Mode:
    """How a folder is watched. `why` says, for `rescan`, what stands in the way and what a person can do."""

    how: Literal["events", "rescan"]
    why: str = ""


class Watcher:
    """Watches hot folders. `wake` is called with `folder/name` from another thread and must be quick (`Hints.add`)."""

    def __init__(
        self,
        folders: Sequence[HotFolder],
        wake: Callable[[str], None],
        kind_of: Callable[[Path], Kind] = filesystem.kind,
    ) -> None:
        self.modes: dict[str, Mode] = {folder.name: Mode("rescan", "not started") for folder in folders}
        self.restarts = 0
        self._folders = tuple(folders)
        self._wake = wake
        self._kind_of = kind_of
        self._complaints = _Complaints()
        self._backend: _Backend | None = None
        self._handlers: dict[str, _Handler] = {}

    def start(self) -> None:
        """Watch whatever can be watched; `modes` says what came of it. To be followed by a rescan of everything. Raises nothing of the system's."""
        self._complaints.listen()
        try:
            self._backend = _Backend()
        except (OSError, RuntimeError) as error:  # RuntimeError: no more threads to be had
            self.modes = {folder.name: Mode("rescan", _limit(error)) for folder in self._folders}
            return
        for folder in self._folders:
            self.modes[folder.name] = self._watch(self._backend, folder)

    def stop(self) -> None:
        """End all threads; may be called twice."""
        self._complaints.leave()
        backend, self._backend = self._backend, None
        if backend is not None:
            backend.stop()

    def restart(self) -> None:
        """After a fault, or when a folder was replaced: everything anew, and the caller rescans everything."""
        self.stop()
        self.restarts += 1
        self.start()

    def alive(self) -> bool:
        """True while every thread that was started runs. A watch can still be deaf: the scanner's `returned` tells."""
        return self._backend is None or self._backend.alive()

    @property
    def faults(self) -> int:
        """How many events could not be passed on; more than before means: rescan everything."""
        return sum(handler.faults for handler in self._handlers.values())

    def complaints(self) -> list[str]:
        """What the library has warned of since the last time, such as an overflow of the kernel's queue: events were lost, rescan everything."""
        said = []
        with contextlib.suppress(IndexError):
            while True:
                said.append(self._complaints.said.popleft())
        return said

    def _watch(self, backend: _Backend, folder: HotFolder) -> Mode:
        if self._kind_of(folder.path) != "local":
            return Mode(
                "rescan", "a share or an unknown file system, where other machines' files raise no events"
            )
        handler = self._handlers.setdefault(folder.name, _Handler(folder.path, self._wake))
        try:
            backend.watch(handler, os.path.realpath(folder.path))
        except (OSError, RuntimeError) as error:
            return Mode("rescan", _limit(error))
        return Mode("events")


class _Complaints(logging.Handler):
    """Keeps what watchdog warns of, the last few, instead of letting it run over a person's terminal."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: deque[str] = deque(maxlen=20)

    def listen(self) -> None:
        logger = logging.getLogger("watchdog")
        logger.addHandler(self)
        logger.propagate = False

    def leave(self) -> None:
        logging.getLogger("watchdog").removeHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        with contextlib.suppress(Exception):
            self.said.append(shown(record.getMessage()))


class _Handler(FileSystemEventHandler):
    """Passes the name on under the folder's path as configured, whatever link leads there."""

    def __init__(self, folder: Path, wake: Callable[[str], None]) -> None:
        self._folder = str(folder)
        self._wake = wake
        self.faults = 0

    def dispatch(self, event: FileSystemEvent) -> None:
        try:
            path = os.fsdecode(event.dest_path or event.src_path)
            self._wake(f"{self._folder}/{path.rpartition('/')[2]}")
        except BaseException:
            self.faults += 1


class _Backend:
    """watchdog's threads: an observer and, on Linux, one inotify instance of our own, so that a dead one can be replaced."""

    def __init__(self) -> None:
        self._inotify: InotifyFD | None = None
        if sys.platform.startswith("linux"):
            self._inotify = InotifyFD()
            self._inotify.start()
            self._observer: BaseObserver = BaseObserver(_Emitter, inotify_fd=self._inotify)
        else:
            self._observer = Observer()
        self._watches: list[ObservedWatch] = []
        self._observer.start()

    def watch(self, handler: _Handler, path: str) -> None:
        self._watches.append(self._observer.schedule(handler, path, recursive=False, event_filter=_EVENTS))

    def alive(self) -> bool:
        emitters = list(self._observer.emitters)
        threads = [self._observer, *emitters, *([self._inotify] if self._inotify else [])]
        return len(emitters) == len(self._watches) and all(thread.is_alive() for thread in threads)

    def stop(self) -> None:
        with contextlib.suppress(Exception):  # a watch whose folder is gone may complain
            self._observer.stop()
        if self._inotify is not None:
            self._inotify.stop()
        for thread in (self._observer, self._inotify):
            if thread is not None:
                with contextlib.suppress(RuntimeError):
                    thread.join(timeout=5.0)


if TYPE_CHECKING or sys.platform.startswith("linux"):

    class _Emitter(InotifyEmitter):
        """Asks the kernel for arrivals only.

        watchdog holds each departure back for half a second, and everything behind it, to pair it with an arrival. Our own claims are departures: with them
        in the queue, the picture dropped right after a claim would be heard of half a second late.
        """

        def get_event_mask_from_filter(self) -> Mask:
            return Mask(
                InotifyConstants.IN_CREATE
                | InotifyConstants.IN_CLOSE_WRITE
                | InotifyConstants.IN_MOVED_TO
                | InotifyConstants.IN_DELETE_SELF
            )


def _limit(error: OSError | RuntimeError) -> str:
    """What stands in the way of events: the kernel says "no space" for a limit that has nothing to do with disks."""
    if not isinstance(error, OSError):
        return f"it cannot be watched: {error}"
    if error.errno == errno.ENOSPC:
        return "the limit of watches is reached; raise fs.inotify.max_user_watches (sysctl)"
    if error.errno == errno.EMFILE:
        return "the limit of watching programs is reached; raise fs.inotify.max_user_instances (sysctl)"
    return f"it cannot be watched: {shown(os.strerror(error.errno)) if error.errno else shown(str(error))}"
