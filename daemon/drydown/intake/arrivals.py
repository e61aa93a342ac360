"""The files that have arrived in one hot folder and are not taken yet: their looks, why each waits, and when to look at it again.

Reads the state of one file through an open folder; lists nothing and judges nothing.
"""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Collection
from dataclasses import dataclass

from drydown.intake import complete
from drydown.intake.filesystem import Kind
from drydown.intake.found import IntakeTimes, Waiting, WaitKind
from drydown.intake.settle import Look, Settling
from drydown.intake.sidecar import is_settings


@dataclass(slots=True)
class Arrival:
    """What is known of a file beside its looks. `check_at`: when its state may be another one; infinite until the file changes."""

    check_at: float
    settings: bool  #: a settings file: goes with its picture and is never chosen by itself
    told: bool = False  #: a watcher told of it
    kind: WaitKind = "settling"
    why: str = ""
    tries: int = 0


class Arrivals:
    """By path relative to the hot folder. All times monotonic seconds."""

    def __init__(self, times: IntakeTimes, kind: Kind) -> None:
        self.kind = kind
        self.settling = Settling(times.quiet_s(kind))
        self._times = times
        self._files: dict[str, Arrival] = {}

    def __getitem__(self, relative: str) -> Arrival:
        return self._files[relative]

    def look_at(self, fd: int, relative: str, name: str, now: float) -> bool:
        """Take in a look at a file of the open folder `fd`; a changed one starts over. False when it is gone or a folder. Raises OSError."""
        try:
            found = os.stat(name, dir_fd=fd, follow_symlinks=False)
        except FileNotFoundError:
            self.forget(relative)
            return False
        if stat.S_ISDIR(found.st_mode):
            return False
        before, look = self.settling.seen(relative), Look.of(found)
        self.settling.observe(relative, look, now)
        old = self._files.get(relative)
        if old is None or before is None or before.look != look:
            arrival = Arrival(now, is_settings(name), told=old is not None and old.told)
            self._files[relative] = arrival
            arrival.check_at = self.matures_at(relative)
            why = complete.unfit(found)
            if why:
                self.wait(relative, "unfit", why, math.inf)
        return True

    def tell(self, relative: str, now: float) -> None:
        """A watcher told of a file that was just looked at: it may be whole sooner."""
        arrival = self._files[relative]
        arrival.told = True
        if arrival.kind not in ("unfit", "put off"):
            arrival.check_at = min(arrival.check_at, max(now, self.matures_at(relative)))

    def matures_at(self, relative: str) -> float:
        """The earliest time at which a file can be whole: the short quiet time counts only where the kernel can vouch for it."""
        seen = self.settling.seen(relative)
        short = self._files[relative].told and self.kind == "local"
        quiet_s = self._times.quiet_told_s if short else self._times.quiet_s(self.kind)
        return (seen.still_since if seen else 0.0) + quiet_s

    def wait(self, relative: str, kind: WaitKind, why: str, until: float) -> None:
        arrival = self._files[relative]
        arrival.kind, arrival.why, arrival.check_at = kind, why, until

    def put_off(self, relative: str, kind: WaitKind, why: str, now: float) -> None:
        """Wait for 5 s (the first of `IntakeTimes`), then twice as long each time, until the file changes; an unknown path is fine."""
        arrival = self._files.get(relative)
        if arrival is not None:
            wait_s = min(self._times.file_retry_first_s * 2.0**arrival.tries, self._times.file_retry_most_s)
            arrival.tries = min(arrival.tries + 1, 30)
            self.wait(relative, kind, why, now + wait_s)

    def note_settings(self, relative: str, alone: bool) -> None:
        """A settings file that is `alone` is shown as waiting for its picture; else it waits with it, unseen."""
        arrival = self._files[relative]
        if arrival.kind in ("settling", "settings"):
            arrival.kind = "settings" if alone else "settling"
            arrival.why = (
                "settings without a picture; put the picture of that name beside it" if alone else ""
            )

    def due(self, now: float) -> list[str]:
        """The pictures whose time has come, in order of arrival."""
        paths = [path for path, file in self._files.items() if file.check_at <= now and not file.settings]
        return sorted(paths, key=self._order)

    def next_due(self, now: float) -> float:
        """When the next picture's time comes; those that are due already wait for room, not for time."""
        ahead = (file.check_at for file in self._files.values() if file.check_at > now and not file.settings)
        return min(ahead, default=math.inf)

    def waiting(self, folder: str, now: float) -> list[Waiting]:
        """Every file, in order of arrival, with its reason."""
        found = []
        for relative in sorted(self._files, key=self._order):
            file, seen = self._files[relative], self.settling.seen(relative)
            if seen is None or (file.settings and file.kind == "settling"):
                continue
            why = self.why(relative, now)
            found.append(Waiting(folder, relative, why, file.kind, seen.since))
        return found

    def why(self, relative: str, now: float) -> str:
        return self._files[relative].why or self.settling.why(relative, now)

    def count(self) -> int:
        """How many files wait; settings count with their picture."""
        return sum(1 for file in self._files.values() if not file.settings or file.kind == "settings")

    def keep_only(self, paths: Collection[str]) -> None:
        self.settling.keep_only(paths)
        self._files = {path: file for path, file in self._files.items() if path in paths}

    def forget(self, relative: str) -> None:
        self.settling.forget(relative)
        self._files.pop(relative, None)

    def _order(self, relative: str) -> tuple[float, int, str]:
        """Among files found by the same look, the time at which each came into this folder: compared with each other, never with a clock."""
        seen = self.settling.seen(relative)
        return (seen.since, seen.look.ctime_ns, relative) if seen else (math.inf, 0, relative)
