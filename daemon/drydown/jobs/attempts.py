"""The daemon's side of an attempt: ask the starter for a child, watch its time and memory, believe only a complete result.

`Attempts` is a plain callable (spec, number) -> AttemptResult, so any `concurrent.futures.Executor` can run it in a thread.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from drydown.discovery import Origin
from drydown.durable import write_atomic
from drydown.errors import MachineFault
from drydown.jobs.limits import LOG, LOG_BYTES_SHOWN, Limits
from drydown.jobs.spec import AttemptResult, JobSpec

RESULT_BYTES_MAX = 8 << 20
LOOK_S = 0.2  #: how often a running child's memory and time are looked at
#: what a child may see of our environment
KEPT = (
    "PATH",
    "LANG",
    "LC_ALL",
    "LC_CTYPE",
    "TZ",
    "PYTHONPATH",
    "LD_LIBRARY_PATH",
    "VIRTUAL_ENV",
    "COVERAGE_PROCESS_START",
)


def child_environment(cores: int, environment: Mapping[str, str] = os.environ) -> dict[str, str]:
    """A scrubbed environment: untrusted loaders off, one allocator arena for two threads, no thread pools of array libraries."""
    kept = {key: environment[key] for key in KEPT if key in environment}
    return kept | {
        "VIPS_BLOCK_UNTRUSTED": "1",
        "VIPS_CONCURRENCY": str(max(1, cores)),
        "MALLOC_ARENA_MAX": "2",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "MPLBACKEND": "agg",
    }


@dataclass
class _Running:
    """A child at work; `ended` gets its exit code (negative: a signal)."""

    ended: Future[int]
    started: Future[int]
    cancelled: bool = False


class Starter:
    """Owns the starter process; safe to use from several threads. Started at first use, and again when it has died."""

    def __init__(self, preload: Sequence[Origin], *, cores: int) -> None:
        self._preload, self._cores = tuple(preload), cores
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._lifeline = -1
        self._running: dict[str, _Running] = {}

    def fork(self, ticket: str, folder: Path, number: int, limits: Limits) -> _Running:
        """Start a child. Raises MachineFault where the starter cannot be started."""
        running = _Running(Future(), Future())
        order = {"ticket": ticket, "folder": str(folder), "attempt": number, "limits": asdict(limits)}
        with self._lock:
            if self._process is None or self._process.poll() is not None:
                self._start()
            self._running[ticket] = running
            assert self._socket is not None
            try:
                self._socket.sendall(json.dumps({"fork": order}).encode() + b"\n")
            except OSError as error:
                del self._running[ticket]
                raise MachineFault(f"the starter process is gone ({error}); it is started again") from error
        return running

    def close(self) -> None:
        """End the starter and, through the lifeline, every child."""
        with self._lock:
            if self._socket is not None:
                with contextlib.suppress(OSError):
                    self._socket.shutdown(socket.SHUT_RDWR)  # the listener still holds the descriptor: close alone ends nothing
                self._socket.close()
            if self._lifeline >= 0:
                os.close(self._lifeline)
                self._lifeline = -1
            process, self._process, self._socket = self._process, None, None
        if process is not None:
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    @property
    def pid(self) -> int | None:
        """Process id of the starter, for show."""
        return self._process.pid if self._process else None

    def warm(self) -> None:
        """Start now rather than at the first job."""
        with self._lock:
            if self._process is None or self._process.poll() is not None:
                self._start()

    def _start(self) -> None:
        if self._lifeline >= 0:
            os.close(self._lifeline)
        ours, theirs = socket.socketpair()
        lifeline_read, self._lifeline = (
            os.pipe()
        )  # our end is never inherited: when this process ends, children read its end
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "drydown.jobs.starter", str(theirs.fileno()), str(lifeline_read)],
                pass_fds=(theirs.fileno(), lifeline_read),
                stdin=subprocess.DEVNULL,
                env=child_environment(self._cores),
                start_new_session=True,
            )
        except OSError as error:
            ours.close()
            raise MachineFault(f"the starter process cannot be started: {error}") from error
        finally:
            theirs.close()
            os.close(lifeline_read)
        self._socket = ours
        ours.sendall(json.dumps({"preload": [_plain(origin) for origin in self._preload]}).encode() + b"\n")
        threading.Thread(target=self._listen, args=(ours,), name="starter", daemon=True).start()

    def _listen(self, source: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError), source.makefile("rb") as lines:
            for line in lines:
                message = json.loads(line)
                if message.get("started") in self._running:
                    self._running[message["started"]].started.set_result(message["pid"])
                elif message.get("ended") in self._running:
                    self._running.pop(message["ended"]).ended.set_result(message["status"])
        for running in list(
            self._running.values()
        ):  # the starter has gone: so have its children, or their lifeline tells them
            for future in (running.started, running.ended):
                if not future.done():
                    future.set_exception(MachineFault("the starter process ended; the job is taken up again"))
        self._running.clear()


def _plain(origin: Origin) -> dict[str, str]:
    return {
        "module": origin.module,
        "file": origin.file,
        "offered_by": origin.offered_by,
        "blake3": origin.blake3,
    }


class Attempts:
    """Runs attempts below `work`. Call it in a thread; `cancel(job)` ends a running one."""

    def __init__(self, starter: Starter, work: Path, *, now: Callable[[], float] = time.monotonic) -> None:
        self._starter, self._work, self._now = starter, work, now
        self._live: dict[str, _Running] = {}

    def folder(self, job: str, number: int) -> Path:
        """Where an attempt works: the only place that its child may write."""
        return self._work / job / str(number)

    def cancel(self, job: str) -> bool:
        """End a running attempt of `job`; False where none runs."""
        running = self._live.get(job)
        if running is None:
            return False
        running.cancelled = True
        _kill(running)
        return True

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        """Run one attempt and answer what came of it. Never raises for the job's sake."""
        folder = self.folder(spec.job, number)
        try:
            folder.mkdir(parents=True, mode=0o700)
            write_atomic(folder / "spec.json", spec.model_dump_json().encode())
            limits = Limits(
                memory_mb=spec.memory_mb,
                cpu_s=int(spec.deadline_s * max(2, os.cpu_count() or 1)),
                file_mb=_file_bound_mb(spec),
            )
            running = self._starter.fork(f"{spec.job}/{number}", folder, number, limits)
            self._live[spec.job] = running
            try:
                killed = self._watch(running, spec)
                status = running.ended.result()
            finally:
                self._live.pop(spec.job, None)
        except MachineFault as error:
            return _nothing(spec, number, "machine", str(error))
        except OSError as error:
            return _nothing(spec, number, "machine", f"the work folder cannot be used: {error}")
        if running.cancelled:
            return _nothing(spec, number, "killed", "canceled")
        if killed:
            return _nothing(spec, number, "killed", killed)
        return _read_result(spec, number, folder, status)

    def _watch(self, running: _Running, spec: JobSpec) -> str:
        """Wait for the end; end it ourselves at the deadline or above the memory limit. Returns why, or empty."""
        pid = running.started.result(timeout=60)
        end = self._now() + spec.deadline_s
        while True:
            with contextlib.suppress(TimeoutError):
                running.ended.exception(timeout=LOOK_S)
                return ""
            if running.cancelled:
                _kill(running)
            if self._now() > end:
                _kill(running)
                return f"it ran longer than the deadline of {spec.deadline_s:g} s"
            used = _memory_mb(pid)
            if used > spec.memory_mb:
                _kill(running)
                return f"it used {used:.0f} MB of memory; the limit is {spec.memory_mb} MB"


def _kill(running: _Running) -> None:
    """End the child's whole group; it made itself the leader of its own session."""
    if running.started.done() and not running.started.exception():
        pid = running.started.result()
        for end in (os.killpg, os.kill):  # before it has its own session there is no group of that number
            with contextlib.suppress(ProcessLookupError, PermissionError):
                end(pid, signal.SIGKILL)


def _memory_mb(pid: int) -> float:
    """Resident memory of a process that is not ours by parentage: VmRSS of /proc, 0 where there is none."""
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
    data: dict[str, Any] = {"job": spec.job, "attempt": number, "outcome": outcome, "reason": reason}
    return AttemptResult.model_validate(data)


def _read_result(spec: JobSpec, number: int, folder: Path, status: int) -> AttemptResult:
    """The child's own answer, if it is complete and fits; exit code 0 alone is no success."""
    path = folder / "result.json"
    try:
        if status == 0 and path.stat().st_size <= RESULT_BYTES_MAX:
            result = AttemptResult.model_validate_json(path.read_bytes())
            if (result.job, result.attempt) == (spec.job, number) and _complete(result, folder):
                return result
    except (OSError, ValueError):
        pass
    how = (
        f"was ended by signal {-status} ({signal.Signals(-status).name})"
        if status < 0
        else f"ended with code {status}"
    )
    tail = _tail(folder / LOG)
    return _nothing(
        spec,
        number,
        "crashed",
        f"the job's process {how} without a complete result" + (f": {tail}" if tail else ""),
    )


def _complete(result: AttemptResult, folder: Path) -> bool:
    if result.outcome != "done":
        return True
    kinds = {output.kind for output in result.outputs}
    sizes = all((folder / Path(output.path).name).stat().st_size == output.bytes for output in result.outputs)
    return sizes and {"sheet", "preview", "ticket", "ticket_json"} <= kinds


def _tail(log: Path) -> str:
    try:
        lines = log.read_bytes()[-LOG_BYTES_SHOWN:].decode("utf-8", "backslashreplace").strip().splitlines()
    except OSError:
        return ""
    return lines[-1] if lines else ""
