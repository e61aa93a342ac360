"""Observers are told of each job that has ended, in a thread of their own: one that raises, exits or never comes back stops neither the loop nor a job."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from drydown.jobs.joblog import JobLog

SLOW_S = 60.0  #: after so long the job log says that an observer is waited for
CLOSE_S = 10.0  #: how long the end of the program waits for those that are still to be told

Call = tuple[str, str, Callable[[], object]]  #: plugin, job, what to call


class Observers:
    """`tell` puts calls into a queue, in order. The log is written by the caller's thread alone: at each `tell`, and at `close`."""

    def __init__(self, log: JobLog, *, slow_s: float = SLOW_S) -> None:
        self._log, self._slow_s = log, slow_s
        self._calls: queue.SimpleQueue[Call | None] = queue.SimpleQueue()
        self._failed: queue.SimpleQueue[tuple[str, str, str]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._now: tuple[str, str, float] | None = None  # plugin and job, and since when
        self._told_slow: tuple[str, str, float] | None = None

    def tell(self, manager: Any, job: str, record: Mapping[str, Any], outcome: str) -> None:
        """Call `drydown_job_finished` of every plugin that `manager` (discovery's) holds, soon."""
        plugins = list(manager.get_plugins())
        for plugin in plugins:
            others = [other for other in plugins if other is not plugin]
            call = manager.subset_hook_caller("drydown_job_finished", remove_plugins=others)
            if call.get_hookimpls():
                name = str(manager.get_name(plugin))
                self._calls.put((name, job, lambda call=call: call(job=record, outcome=outcome)))  # type: ignore[misc]
                self._begin()

    def look(self) -> None:
        """Write down what has failed, and once who is waited for."""
        while not self._failed.empty():
            plugin, job, reason = self._failed.get()
            self._log.write("observer failed", job, plugin=plugin, reason=reason)
        now = self._now
        if now is not None and now != self._told_slow and time.monotonic() - now[2] > self._slow_s:
            self._told_slow = now
            reason = (
                f"it has not come back for {self._slow_s:g} s; those after it wait, the printing does not"
            )
            self._log.write("observer slow", now[1], plugin=now[0], reason=reason)

    def close(self, within_s: float = CLOSE_S) -> None:
        """Wait a while for what is still to be told; what then is not is written down."""
        if self._thread is not None:
            self._calls.put(None)
            self._thread.join(within_s)
            if self._thread.is_alive() and self._now is not None:
                self._log.write("observer left", self._now[1], plugin=self._now[0], reason="the program ends")
        self.look()

    def _begin(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="observers", daemon=True)
            self._thread.start()

    def _work(self) -> None:
        while (asked := self._calls.get()) is not None:
            plugin, job, call = asked
            self._now = plugin, job, time.monotonic()
            try:
                call()
            except BaseException as error:  # also one that exits
                self._failed.put((plugin, job, f"{type(error).__name__}: {error}"))
            self._now = None
