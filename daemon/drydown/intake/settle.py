"""Has a file been quiet and unchanged for long enough? A pure answer: no clock, no watcher, no file system in here.

A file is settled when two looks at it, at least the quiet time apart, are equal in every field. Only the difference between two looks counts:
time stamps are never compared with a clock, because copies keep old ones and file servers have clocks of their own. There is no giving up: a
file that still changes waits.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    """What one glance at a file shows. `ctime_ns` catches a copy that sets the old `mtime_ns` back."""

    ino: int
    size: int
    mtime_ns: int
    ctime_ns: int

    @classmethod
    def of(cls, found: os.stat_result) -> Look:
        return cls(found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)

    def same_content(self, other: Look) -> bool:
        """Equal but for `ctime_ns`, which a rename changes too."""
        return (self.ino, self.size, self.mtime_ns) == (other.ino, other.size, other.mtime_ns)


@dataclass(frozen=True, slots=True)
class Seen:
    """A file under observation; both times on the monotonic clock, seconds."""

    look: Look
    since: float  #: first seen
    still_since: float  #: first seen as it is now


class Settling:
    """The looks so far, by path. `quiet_s`: how long a file must have stayed as it is."""

    def __init__(self, quiet_s: float) -> None:
        self.quiet_s = quiet_s
        self._seen: dict[str, Seen] = {}

    def observe(self, path: str, look: Look, now: float) -> bool:
        """Take in a look; True when the file has been unchanged for the quiet time. `now`: monotonic seconds."""
        before = self._seen.get(path)
        if before is None or before.look.ino != look.ino:
            self._seen[path] = Seen(look, since=now, still_since=now)
        elif before.look != look:
            self._seen[path] = Seen(look, since=before.since, still_since=now)
        return self.still_s(path, now) >= self.quiet_s

    def still_s(self, path: str, now: float) -> float:
        """Seconds that a path under observation has been seen unchanged."""
        return now - self._seen[path].still_since

    def seen(self, path: str) -> Seen | None:
        return self._seen.get(path)

    def forget(self, path: str) -> None:
        """The file was taken or is gone; an unknown path is fine."""
        self._seen.pop(path, None)

    def keep_only(self, paths: Collection[str]) -> None:
        """Forget every path that is not among `paths`."""
        for path in self._seen.keys() - set(paths):
            del self._seen[path]

    def __len__(self) -> int:
        return len(self._seen)

    def why(self, path: str, now: float) -> str:
        """Why a path that is not settled waits, for showing."""
        return f"unchanged for {self.still_s(path, now):.1f} s of {self.quiet_s:g} s"
