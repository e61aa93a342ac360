"""Hints: what watchers, requests and signals say to the one loop that waits. A hint says "look here soon", never what happened.

Putting one in is safe from any thread and from a signal handler (`queue.SimpleQueue` may be entered again while it is being used), never blocks and never
raises. Under a flood of hints they are dropped and a look at everything is asked for instead.
"""

from __future__ import annotations

import queue
import time
from dataclasses import dataclass

_MOST = 10_000  #: hints kept; a file is found by the rescan anyway
_WAKE = ""  #: no path: only an end to the wait


@dataclass(frozen=True, slots=True)
class Told:
    """`paths` to look at; `everything`: hints were lost."""

    paths: frozenset[str] = frozenset()
    everything: bool = False


class Hints:
    """Many put in, one waits. `gather_s`: after the first hint, how long to collect more, so that one big copy is not a thousand scans."""

    def __init__(self, gather_s: float = 0.05, most: int = _MOST) -> None:
        self._queue: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._gather_s = gather_s
        self._most = most
        self._lost = False

    def add(self, path: str) -> None:
        """Tell of a path. Any thread, any time."""
        if self._queue.qsize() < self._most:
            self._queue.put(path)
        else:
            self._lost = True

    def wake(self) -> None:
        """End the wait without telling of anything, as for a signal or the end of a job."""
        self._queue.put(_WAKE)

    def wait(self, timeout_s: float) -> Told:
        """Wait for the first hint, at most `timeout_s`, then collect what follows within the gathering time."""
        try:
            paths = {self._queue.get(timeout=max(0.0, timeout_s))}
        except queue.Empty:
            return Told()
        until = time.monotonic() + (self._gather_s if _WAKE not in paths else 0.0)
        for _hint in range(self._most):
            try:
                paths.add(self._queue.get(timeout=max(0.0, until - time.monotonic())))
            except queue.Empty:
                break
        everything, self._lost = self._lost, False
        return Told(frozenset(paths - {_WAKE}), everything)
