"""A plugin is imported in a process of its own first: one that ends the program or never comes back ends that process, not the daemon.

The verdict is remembered by the content of a studio's file and by the version of an installed distribution, so that what has not changed is not tried again.
"""

from __future__ import annotations

import contextlib
import faulthandler
import functools
import importlib
import json
import os
import signal
import sys
import tempfile
import time
from dataclasses import asdict
from multiprocessing.connection import wait
from pathlib import Path
from types import FrameType

from drydown.discovery.loading import from_source, offers_of
from drydown.discovery.problems import Problem, leave_out, problem

DEADLINE_S = 20.0
_GRACE_S = 1.0  # for a plugin that catches everything, or hangs outside Python: then the process is killed
_FINE = b"{}"


@functools.lru_cache(maxsize=256)
def try_out(
    source: bytes, file: Path | None, name: str, offered_by: str, *, deadline_s: float = DEADLINE_S
) -> Problem | None:
    """What the plugin does to a process that imports it and asks for its offers; None where the process is alive afterwards.

    `source`, `file`: of a studio's plugin; without a file, the installed module `name`.
    A plugin that raises is none of our business: it raises again where it is imported, and is told of there.
    """
    read, write = os.pipe()
    try:
        begin = _fork if _alone() else _start
        pid = begin(source, file, name, offered_by, deadline_s, write)
    finally:
        os.close(write)
    in_time = False
    try:
        said, in_time = _heard(read, deadline_s + _GRACE_S)
    finally:
        os.close(read)
        if not in_time:
            os.kill(pid, signal.SIGKILL)
        _, status = os.waitpid(pid, 0)
    if not in_time:
        return _too_long(offered_by, _place(file), deadline_s)
    if not said:
        code = os.waitstatus_to_exitcode(status)
        how = f"signal {-code}" if code < 0 else f"exit code {code}"
        move = f"a plugin must not end the program; move that into a function, or {leave_out(offered_by)}"
        return Problem(offered_by, f"importing it ended the process with {how}", _place(file), move)
    found = json.loads(said)
    return Problem(**found) if found else None


def _place(file: Path | None) -> str:
    return file.name if file else ""


def _too_long(offered_by: str, place: str, deadline_s: float) -> Problem:
    return Problem(
        offered_by,
        f"importing it takes longer than {deadline_s:g} s",
        place,
        f"move the work into the step's function, or {leave_out(offered_by)}",
    )


def _alone() -> bool:
    """Only a process of one thread can be forked without care; elsewhere a fresh interpreter is started, which takes about 0.3 s instead of 0.02."""
    try:
        return len([*Path("/proc/self/task").iterdir()]) == 1
    except OSError:
        return False


def _heard(answer: int, within_s: float) -> tuple[bytes, bool]:
    """All that the process says until it has ended, and whether it did in time."""
    end, said = time.monotonic() + within_s, b""
    while (left := end - time.monotonic()) > 0 and wait([answer], left):
        if not (part := os.read(answer, 65536)):
            return said, True
        said += part
    return said, False


def _fork(
    source: bytes, file: Path | None, name: str, offered_by: str, deadline_s: float, answer: int
) -> int:
    pid = os.fork()
    if pid == 0:
        try:
            _import(source, file, name, offered_by, deadline_s, answer)
        finally:
            os._exit(0)
    return pid


def _start(
    source: bytes, file: Path | None, name: str, offered_by: str, deadline_s: float, answer: int
) -> int:
    """A fresh interpreter with our search path; the source comes by its standard input, the answer goes to file 3."""
    given = json.dumps([str(file or ""), name, offered_by, deadline_s, sys.path])
    command = [sys.executable, "-P", "-c", _PROGRAM, given]
    with tempfile.TemporaryFile() as held:
        held.write(source)
        held.seek(0)
        files = [(os.POSIX_SPAWN_DUP2, held.fileno(), 0), (os.POSIX_SPAWN_DUP2, answer, _ANSWER_FD)]
        return os.posix_spawn(sys.executable, command, os.environ, file_actions=files)


_ANSWER_FD = 3
_PROGRAM = """
import json, pathlib, sys
file, name, offered_by, deadline_s, sys.path[:] = json.loads(sys.argv[1])
from drydown.discovery import tryout
tryout.begun(sys.stdin.buffer.read(), pathlib.Path(file) if file else None, name, offered_by, deadline_s)
"""


def begun(source: bytes, file: Path | None, name: str, offered_by: str, deadline_s: float) -> None:
    """What the fresh interpreter does."""
    _import(source, file, name, offered_by, deadline_s, _ANSWER_FD)
    os._exit(0)  # whatever threads the plugin has left


def _import(
    source: bytes, file: Path | None, name: str, offered_by: str, deadline_s: float, answer: int
) -> None:
    """In the process of its own: import, ask for offers, say what a process does not outlive."""
    faulthandler.disable()  # it would write about a crash to where the program's own go
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)  # what it prints, it prints again where it is imported
    signal.signal(signal.SIGALRM, _stop)
    signal.setitimer(signal.ITIMER_REAL, deadline_s)
    found: Problem | None = None
    try:
        with contextlib.suppress(Exception, SystemExit):
            offers_of(from_source(source, file, name) if file else importlib.import_module(name))
    except _TooLong as error:
        found = _too_long(offered_by, problem(offered_by, error).place or _place(file), deadline_s)
    except BaseException as error:
        found = problem(offered_by, error)
    signal.setitimer(signal.ITIMER_REAL, 0)
    os.write(answer, json.dumps(asdict(found)).encode() if found else _FINE)


class _TooLong(BaseException):
    """Raised inside the import, so that its traceback says where the time goes."""


def _stop(number: int, frame: FrameType | None) -> None:
    raise _TooLong
