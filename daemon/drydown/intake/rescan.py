"""The rescan of all hot folders: the one truth about what was dropped. A watcher's hints only make it come sooner.

One call, `scan`, serves the start, the clock and the hints alike, so no file takes another way in. The caller waits `look_again_s` or for a hint, says
how many pictures it has room for, claims what is `ready`, and puts off what could not be claimed. Not for several threads.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Collection, Sequence
from pathlib import Path

from drydown.intake import filesystem
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder, joined
from drydown.intake.folderscan import FolderScan
from drydown.intake.found import FolderState, Found, IntakeTimes, Ready, Waiting, WaitKind


class Scanner:
    """Looks at hot folders. `kind_of` says on what kind of file system a path lies."""

    def __init__(
        self,
        folders: Sequence[HotFolder],
        times: IntakeTimes | None = None,
        kind_of: Callable[[Path], Kind] = filesystem.kind,
    ) -> None:
        self._times = times or IntakeTimes()
        self._scans = [FolderScan(folder, self._times, kind_of) for folder in folders]
        self._first = 0

    def scan(
        self, now: float, told: Collection[str] = (), *, everything: bool = False, want: int | None = None
    ) -> Found:
        """Look, and answer at most `want` pictures to claim (None for all). `now`: monotonic seconds.

        `told`: paths that a watcher told of, below the folders' paths as configured. `everything`: look at all files now, as after a watcher's fault.
        Raises nothing: a folder that cannot be read is one of the `problems`, and the others go on.
        """
        for scan in self._scans:
            scan.look(now, _below(scan.folder.path, told), everything)
        ready = self._in_turn(now, want)
        returned = []
        ignored: Counter[str] = Counter()
        for scan in self._scans:
            ignored.update(scan.ignored)
            if scan.has_returned():
                returned.append(scan.folder.name)
        next_at = min((scan.next_look_at(now) for scan in self._scans), default=now + self._times.rescan_s)
        return Found(
            ready=tuple(ready),
            waiting=sum(scan.arrivals.count() for scan in self._scans) - len(ready),
            problems=tuple(trouble for scan in self._scans for trouble in scan.troubles()),
            returned=tuple(returned),
            ignored=dict(ignored),
            look_again_s=max(0.0, next_at - now),
            more=any(scan.arrivals.has_due(now) for scan in self._scans),
        )

    def waiting(self, now: float, kinds: Collection[WaitKind] | None = None) -> list[Waiting]:
        """All files that are not taken yet and why, or those of some kinds; for showing, since it may be thousands."""
        return [
            waiting
            for scan in self._scans
            for waiting in scan.arrivals.waiting(scan.folder.name, now, kinds=kinds)
        ]

    def states(self, now: float, most: int) -> list[FolderState]:
        """Every folder at a glance, each with at most `most` of its files."""
        return [
            FolderState(
                scan.folder.name,
                scan.looked_at,
                scan.arrivals.count(),
                tuple(scan.arrivals.waiting(scan.folder.name, now, most=most)),
                sum(scan.ignored.values()),
                scan.ignored_first,
            )
            for scan in self._scans
        ]

    def put_off(self, ready: Ready, why: str, now: float) -> None:
        """The picture could not be claimed: look at it again later, and show `why` until then."""
        for scan in self._scans:
            if scan.folder == ready.folder:
                scan.arrivals.put_off(ready.relative, "put off", why, now)

    def taken(self, ready: Ready) -> None:
        """The picture was claimed, and its settings with it: nothing of them waits here any more."""
        for scan in self._scans:
            if scan.folder == ready.folder:
                for name in (ready.name, ready.settings):
                    if name is not None:
                        scan.arrivals.forget(joined(ready.within, name))

    def _in_turn(self, now: float, want: int | None) -> list[Ready]:
        """One picture from each folder in turn, another folder first each time, so that a full folder starves nobody."""
        ready: list[Ready] = []
        turns = deque(scan.choose(now) for scan in self._scans)
        turns.rotate(-self._first)
        self._first = (self._first + 1) % max(1, len(self._scans))
        while turns and (want is None or len(ready) < want):
            turn = turns.popleft()
            chosen = next(turn, None)
            if chosen is not None:
                ready.append(chosen)
                turns.append(turn)
        return ready


def _below(folder: Path, told: Collection[str]) -> list[str]:
    prefix = f"{folder}/"
    return [path[len(prefix) :] for path in told if path.startswith(prefix)]
