"""The files that have arrived in one hot folder and are not taken yet: their looks, why each waits, and when to look at it again.

Reads the state of one file through an open folder; lists nothing and judges nothing.
"""

from __future__ import annotations

import heapq
import math
import os
import stat
from collections.abc import Collection, Iterator
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
        # Two heaps instead of a look at thousands of files at each scan. An entry whose time is no longer its file's is passed over.
        self._ahead: list[tuple[float, str]] = []  # by the time at which to look
        self._due: list[tuple[tuple[float, int, str], float]] = []  # that has come: by arrival

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
            told = old is not None and old.told
            self._files[relative] = Arrival(math.inf, is_settings(name), told=told)
            self.look_again(relative, self.matures_at(relative))
            why = complete.unfit(found)
            if why:
                self.wait(relative, "unfit", why, math.inf)
        return True

    def tell(self, relative: str, now: float) -> None:
        """A watcher told of a file that was just looked at: it may be whole sooner."""
        arrival = self._files[relative]
        arrival.told = True
        if arrival.kind not in ("unfit", "put off"):
            self.look_again(relative, min(arrival.check_at, max(now, self.matures_at(relative))))

    def matures_at(self, relative: str) -> float:
        """The earliest time at which a file can be whole: the short quiet time counts only where the kernel can vouch for it."""
        seen = self.settling.seen(relative)
        short = self._files[relative].told and self.kind == "local"
        quiet_s = self._times.quiet_told_s if short else self._times.quiet_s(self.kind)
        return (seen.still_since if seen else 0.0) + quiet_s

    def wait(self, relative: str, kind: WaitKind, why: str, until: float) -> None:
        arrival = self._files[relative]
        arrival.kind, arrival.why = kind, why
        self.look_again(relative, until)

    def look_again(self, relative: str, at: float) -> None:
        """Set when the file's state may be another one."""
        arrival = self._files[relative]
        arrival.check_at = at
        if at < math.inf and not arrival.settings:
            heapq.heappush(self._ahead, (at, relative))

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

    def due(self, now: float) -> Iterator[str]:
        """The pictures whose time has come, in order of arrival. Whoever takes one sets its next time before asking for another."""
        self._ripen(now)
        while self._due:
            (_, _, relative), at = heapq.heappop(self._due)
            if self._is_so(relative, at):
                yield relative

    def has_due(self, now: float) -> bool:
        """True while pictures whose time has come wait for somebody to take them."""
        self._ripen(now)
        while self._due and not self._is_so(self._due[0][0][2], self._due[0][1]):
            heapq.heappop(self._due)
        return bool(self._due)

    def next_due(self, now: float) -> float:
        """When the next picture's time comes; those that are due already wait for room, not for time."""
        self._ripen(now)
        while self._ahead and not self._is_so(self._ahead[0][1], self._ahead[0][0]):
            heapq.heappop(self._ahead)
        return self._ahead[0][0] if self._ahead else math.inf

    def waiting(
        self,
        folder: str,
        now: float,
        *,
        kinds: Collection[WaitKind] | None = None,
        most: int | None = None,
    ) -> list[Waiting]:
        """Files in order of arrival, each with its reason: of these `kinds` (None for all), the first `most` (None for all)."""
        shown = [
            relative
            for relative, file in self._files.items()
            if (kinds is None or file.kind in kinds) and not (file.settings and file.kind == "settling")
        ]
        first = (
            sorted(shown, key=self._order) if most is None else heapq.nsmallest(most, shown, key=self._order)
        )
        found = []
        for relative in first:
            seen = self.settling.seen(relative)
            if seen is not None:
                why = self.why(relative, now)
                found.append(Waiting(folder, relative, why, self._files[relative].kind, seen.since))
        return found

    def why(self, relative: str, now: float) -> str:
        file = self._files[relative]
        if not file.why and file.kind == "settling" and file.check_at <= now and not file.settings:
            return "its turn has not come: other pictures are being worked on"
        return file.why or self.settling.why(relative, now)

    def count(self) -> int:
        """How many files wait; settings count with their picture."""
        return sum(1 for file in self._files.values() if not file.settings or file.kind == "settings")

    def keep_only(self, paths: Collection[str]) -> None:
        self.settling.keep_only(paths)
        self._files = {path: file for path, file in self._files.items() if path in paths}

    def forget(self, relative: str) -> None:
        self.settling.forget(relative)
        self._files.pop(relative, None)

    def _ripen(self, now: float) -> None:
        """Move what has become due from one heap to the other."""
        while self._ahead and self._ahead[0][0] <= now:
            at, relative = heapq.heappop(self._ahead)
            if self._is_so(relative, at):
                heapq.heappush(self._due, (self._order(relative), at))

    def _is_so(self, relative: str, at: float) -> bool:
        file = self._files.get(relative)
        return file is not None and file.check_at == at

    def _order(self, relative: str) -> tuple[float, int, str]:
        """Among files found by the same look, the time at which each came into this folder: compared with each other, never with a clock."""
        seen = self.settling.seen(relative)
        return (seen.since, seen.look.ctime_ns, relative) if seen else (math.inf, 0, relative)
