"""An attempt as the daemon sees it: ask the starter for a child, watch its time and memory, believe only a complete result.

`Attempts` is a plain callable (spec, number) -> AttemptResult, so any `concurrent.futures.Executor` can run it in a thread.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drydown.durable import write_atomic
from drydown.errors import Exit, MachineFault
from drydown.jobs.forks import Child, Starter
from drydown.jobs.left import is_own_file, read_plain, tail
from drydown.jobs.limits import LOG, LOG_BYTES_SHOWN, Limits
from drydown.jobs.record import as_json
from drydown.jobs.space import shortage
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.showing import harmless

RESULT_BYTES_MAX = 8 << 20
LOOK_S = 0.2  #: how often a running child's memory and time are looked at
END_S = 0.5  #: how long a child that was asked to end may take to say where it was
_TRACE_BYTES = 32_000


class Attempts:
    """Runs attempts below `work`. Call it in a thread; `cancel(job)` ends one, also before it has a child."""

    def __init__(self, starter: Starter, work: Path, *, now: Callable[[], float] = time.monotonic) -> None:
        self._starter, self._work, self._now = starter, work, now
        self._live: dict[str, Child] = {}
        self._cancelled: set[str] = set()  #: for good, so a job that is in here stays; people cancel few

    def folder(self, job: str, number: int) -> Path:
        """Where an attempt works: the only place that its child may write."""
        return self._work / job / str(number)

    def pid(self, job: str) -> int | None:
        """Process id of the attempt of `job` that runs, for show."""
        running = self._live.get(job)
        known = running is not None and running.started.done() and not running.started.exception()
        return running.started.result() if running is not None and known else None

    def cancel(self, job: str) -> None:
        """End the attempt of `job`. One that waits for its turn or for its child ends when it gets there."""
        self._cancelled.add(job)  # before the look: whoever forks looks the other way round
        if (running := self._live.get(job)) is not None:
            running.kill()

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        """Run one attempt and answer what came of it. Never raises for the job's sake."""
        folder = self.folder(spec.job, number)
        if spec.job in self._cancelled:
            return _nothing(spec, number, "killed", "canceled")
        try:
            for one in (self._work, folder.parent):
                one.mkdir(parents=True, exist_ok=True, mode=0o700)
            folder.mkdir(mode=0o700)
            write_atomic(folder / "spec.json", as_json(spec).encode(), mode=0o600)
            limits = Limits(
                memory_mb=spec.memory_mb,
                cpu_s=int(spec.deadline_s * max(2, os.cpu_count() or 1)),
                file_mb=_file_bound_mb(spec),
            )
            running = self._starter.fork(f"{spec.job}/{number}", folder, number, limits)
            self._live[spec.job] = running
            try:
                killed = self._watch(running, spec, number)
                status = running.ended.result()
            finally:
                self._live.pop(spec.job, None)
        except MachineFault as error:
            return _nothing(spec, number, "machine", str(error))
        except OSError as error:
            return _nothing(spec, number, "machine", f"the work folder cannot be used: {error}")
        if spec.job in self._cancelled:
            return _nothing(spec, number, "killed", "canceled")
        if killed:
            return _nothing(spec, number, "killed", killed)
        return _read_result(spec, number, folder, status)

    def _watch(self, running: Child, spec: JobSpec, number: int) -> str:
        """Wait for the end; end it ourselves at the deadline or above the memory limit. Returns why, or empty."""
        pid = running.started.result(timeout=60)
        end = self._now() + spec.deadline_s
        while True:
            if spec.job in self._cancelled:
                running.kill()
            with contextlib.suppress(TimeoutError):
                running.ended.exception(timeout=LOOK_S)
                return ""
            if self._now() > end:
                running.ask_to_end()
                with contextlib.suppress(TimeoutError):
                    running.ended.exception(timeout=END_S)
                running.kill()
                where = _where(spec, self.folder(spec.job, number) / LOG)
                return f"it ran longer than the deadline of {spec.deadline_s:g} s" + where
            used = _memory_mb(pid)
            if used > spec.memory_mb:
                running.kill()
                return f"it used {used:.0f} MB of memory; the limit is {spec.memory_mb} MB"


def _memory_mb(pid: int) -> float:
    """The most resident memory that a process has used: VmHWM of /proc, 0 where there is none. It has no children: the sandbox refuses them."""
    try:
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    except (OSError, ValueError):
        pass
    return 0.0


def _file_bound_mb(spec: JobSpec) -> int:
    """The largest file an attempt may write: a raw 16-bit copy of the largest picture, or the sheet with room to spare."""
    sheet_px = 1.0
    for side in (spec.sheet.size.width, spec.sheet.size.height):
        sheet_px *= side / 25.4 * spec.stock.ppi
    return int(max(sheet_px * 8, min(spec.max_pixels, 1_000_000_000) * 8) / 1e6) + 64


def _nothing(spec: JobSpec, number: int, outcome: str, reason: str) -> AttemptResult:
    data: dict[str, Any] = {
        "job": spec.job,
        "attempt": number,
        "outcome": outcome,
        "reason": harmless(reason),
    }
    return AttemptResult.model_validate(data)


def _read_result(spec: JobSpec, number: int, folder: Path, status: int) -> AttemptResult:
    """The child's own answer, if it is complete and fits; exit code 0 alone is no success."""
    try:
        if status == 0:
            result = AttemptResult.model_validate_json(read_plain(folder / "result.json", RESULT_BYTES_MAX))
            if (result.job, result.attempt) == (spec.job, number) and _complete(result, folder):
                return _legible(result)
    except (OSError, ValueError):
        pass
    lines = tail(folder / LOG, LOG_BYTES_SHOWN).splitlines()
    said = lines[-1] if lines else ""
    short = shortage(folder, 1 << 20)
    if status == Exit.MACHINE or short:
        return _nothing(spec, number, "machine", short or said or "the machine failed in the job's process")
    how = (
        f"was ended by signal {-status} ({signal.Signals(-status).name})"
        if status < 0
        else f"ended with code {status}"
    )
    return _nothing(
        spec,
        number,
        "crashed",
        f"the job's process {how} without a complete result" + (f": {said}" if said else ""),
    )


def _legible(result: AttemptResult) -> AttemptResult:
    """Its texts as they may be printed: a decoder that was taken over, or a plugin, may write anything."""
    texts = {
        name: harmless(getattr(result, name)) for name in ("reason", "culprit", "notes", "record", "seconds")
    }
    return result.model_copy(update=texts)


def _complete(result: AttemptResult, folder: Path) -> bool:
    if result.outcome != "done":
        return True
    kinds = {output.kind for output in result.outputs}
    files = [(folder / Path(output.path).name, output.bytes) for output in result.outputs]
    whole = all(is_own_file(path) and path.stat().st_size == size for path, size in files)
    return whole and {"sheet", "preview", "ticket", "ticket_json"} <= kinds


def _where(spec: JobSpec, log: Path) -> str:
    """Where a plugin was when it was asked to end, from the lines that the child then wrote; empty where none was at work."""
    known = [step.plugin.file or step.plugin.module.replace(".", "/") for step in (spec.maker, *spec.steps)]
    for file, line, name in re.findall(r'File "(.+)", line (\d+) in (.+)', tail(log, _TRACE_BYTES)):
        if any(part in file for part in known):
            return f"; it was in {Path(file).name} line {line} ({name})"
    return ""
