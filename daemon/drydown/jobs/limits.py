"""What a child sets on itself, first thing: its own session, limits, quiet descriptors; and an end with its starter and its daemon."""

from __future__ import annotations

import contextlib
import ctypes
import faulthandler
import os
import resource
import signal
import sys
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path

from drydown.errors import MachineFault

LOG = "child.log"
LOG_BYTES_SHOWN = 4000
SPARE_FILES = 32
_SET_PDEATHSIG = 1  #: linux/prctl.h
_forked_by = 0  #: the process that forked this one, or forks now


def _note_forker() -> None:
    global _forked_by
    _forked_by = os.getpid()


os.register_at_fork(before=_note_forker)


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of one attempt. Memory is watched from outside (`VmHWM`); the address space is only a wide backstop."""

    memory_mb: int
    cpu_s: int
    file_mb: int
    open_files: int = 512


def settle_in(folder: Path, limits: Limits) -> None:
    """Make this process a well-behaved child of `folder`; a limit that cannot be set is left out. Raises MachineFault where it cannot have its log there.

    The number of processes is no limit here: the system counts those of the user, in all his sessions. The sandbox refuses new ones.
    """
    _end_with_starter()
    os.setsid()  # so that the whole group can be ended at the deadline
    for number in (signal.SIGTERM, signal.SIGCHLD, signal.SIGINT):
        signal.signal(number, signal.SIG_DFL)
    null = os.open(os.devnull, os.O_RDONLY)
    try:
        log = os.open(folder / LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    except OSError as error:
        raise MachineFault(
            f"a child cannot open its log {folder / LOG} ({error.strerror or error})"
        ) from error
    for source, target in ((null, 0), (log, 1), (log, 2)):
        os.dup2(source, target)
    os.chdir(folder)
    os.umask(0o077)
    os.environ["TMPDIR"] = str(folder)
    tempfile.tempdir = str(folder)
    _limit(resource.RLIMIT_CORE, 0)
    _limit(resource.RLIMIT_NOFILE, limits.open_files, limits.open_files + SPARE_FILES)
    _limit(resource.RLIMIT_CPU, limits.cpu_s)
    _limit(resource.RLIMIT_FSIZE, limits.file_mb << 20)
    _limit(resource.RLIMIT_AS, (limits.memory_mb * 4 + 4096) << 20)
    with contextlib.suppress(OSError):  # the kernel should take the child, not the daemon
        Path("/proc/self/oom_score_adj").write_text("500")
    faulthandler.register(signal.SIGTERM, file=2, chain=True)  # asked to end, it says where it was, and ends


def end_with(lifeline: int) -> None:
    """End with the daemon: a thread waits for the pipe. Called once the process is enclosed, for a thread keeps the rights it began with."""
    threading.Thread(target=_end_with, args=(lifeline,), name="lifeline", daemon=True).start()


def _end_with_starter() -> None:
    """Have the kernel end this process with the starter: a plugin that keeps the interpreter to itself, or has stopped us, keeps the lifeline's thread from it.

    The signal comes at the end of the thread that forked, not of its process. The starter forks from its main thread, which ends with it.
    """
    if sys.platform != "linux":
        return
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(_SET_PDEATHSIG, *map(ctypes.c_ulong, (signal.SIGKILL, 0, 0, 0)))
    if os.getppid() != _forked_by:  # it had ended before we asked
        os.kill(os.getpid(), signal.SIGKILL)


def spare_files() -> None:
    """Allow the few open files that were held back: a child whose plugin has used up all others must still be able to answer."""
    with contextlib.suppress(OSError, ValueError):
        most = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _limit(which: int, value: int, most: int | None = None) -> None:
    """Set a limit, and up to `most` it may be raised again; never above what we were given."""
    with contextlib.suppress(OSError, ValueError):
        hard = resource.getrlimit(which)[1]
        soft, most = (
            bound if hard == resource.RLIM_INFINITY else min(bound, hard) for bound in (value, most or value)
        )
        resource.setrlimit(which, (soft, most))


def _end_with(lifeline: int) -> None:
    """Wait until the daemon's end of the pipe closes, then end the group, of which a death signal would end only us."""
    while True:
        try:
            if os.read(lifeline, 1) == b"":
                break
        except InterruptedError:
            continue
        except OSError:
            break
    os.killpg(0, signal.SIGKILL)
