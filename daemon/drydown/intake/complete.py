"""Is a settled file whole? What the file system itself knows about it, asked of one open file.

The file is opened once, without following a link and without ever blocking on a pipe, and everything is asked of that descriptor, so nothing can be
swapped in between. Where a system cannot answer, the answer is `unknown`, and time has to do instead.

The question about writers is Linux' file lease (fcntl(2), F_SETLEASE): a read lease is granted only when nobody has the file open for writing, also
after a rename. It needs the file's owner or CAP_LEASE. A program that opens the file for writing during the lease makes the kernel send
SIGIO, which ends a process that does not ignore it: so it must be ignored first (`ignore_lease_breaks`), or the question is not asked.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import signal
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from drydown.intake import ends
from drydown.intake.filesystem import Kind
from drydown.intake.settle import Look

Writer = Literal["free", "busy", "unknown"]
State = Literal["complete", "changing", "unfinished", "unfit"]


_NO_PLAIN_FILE = (
    errno.ELOOP,
    errno.ENXIO,
    errno.ENODEV,
)  #: what opening a link, a socket, a device without a driver says


@dataclass(frozen=True, slots=True)
class Verdict:
    """`changing`: somebody still writes. `unfinished`: its content looks so. `unfit`: no wait will help. `why` is for showing; `writer` as found."""

    state: State
    why: str = ""
    writer: Writer = "unknown"


def ignore_lease_breaks() -> None:
    """Ignore SIGIO from now on, in the whole process; to be called once, from the main thread."""
    signal.signal(signal.SIGIO, signal.SIG_IGN)


@contextlib.contextmanager
def opened_file(name: str, *, dir_fd: int) -> Iterator[int]:
    """A descriptor for reading that never blocks and never follows a link at `name`. Raises OSError."""
    fd = os.open(
        name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC, dir_fd=dir_fd
    )
    try:
        yield fd
    finally:
        os.close(fd)


def unfit(found: os.stat_result) -> str:
    """Why what `lstat` or `fstat` found can never be taken, with the next move; empty for a plain file with one name."""
    if stat.S_ISLNK(found.st_mode):
        return "a link; put the picture itself here"
    if not stat.S_ISREG(found.st_mode):
        return "a pipe, socket or device; it is never opened"
    if found.st_nlink != 1:
        return f"one file with {found.st_nlink} names (hard links); put a copy here"
    return ""


def check(name: str, expected: Look, *, dir_fd: int, kind: Kind, patient: bool = True) -> Verdict:
    """Is the file `name` in the folder `dir_fd`, settled as `expected`, whole?

    `patient` False: signs in the content no longer count, because the file has been unchanged for so long that its reader shall judge it.
    Raises FileNotFoundError when it is gone; every other OSError becomes a verdict.
    """
    try:
        with opened_file(name, dir_fd=dir_fd) as fd:
            return _check_open(fd, expected, kind, patient)
    except FileNotFoundError:
        raise
    except OSError as error:
        if error.errno in _NO_PLAIN_FILE:
            return Verdict("unfit", "not a plain file; put the picture itself here")
        if error.errno == errno.EWOULDBLOCK:  # O_NONBLOCK against another program's lease
            return Verdict("changing", "another program holds it", "busy")
        return Verdict("unfit", f"it cannot be read: {os.strerror(error.errno or 0)}")


def _check_open(fd: int, expected: Look, kind: Kind, patient: bool) -> Verdict:
    found = os.fstat(fd)
    why = unfit(found)
    if why:
        return Verdict("unfit", why)
    if Look.of(found) != expected:
        return Verdict("changing", "it changed a moment ago")
    if found.st_size == 0 and patient:
        return Verdict("unfinished", "it is empty")
    # On a share the kernel would answer for this machine alone, or claim a writer where there is none.
    writer = writer_of(fd) if kind == "local" else "unknown"
    if writer == "busy":
        return Verdict("changing", "another program is still writing it", writer)
    if patient:
        why = (
            _has_hole(fd, found.st_size)
            or ends.unfinished(lambda place, n: os.pread(fd, n, place), found.st_size)
            or ""
        )
    if why:
        return Verdict("unfinished", why, writer)
    return Verdict("complete", "", writer)


def writer_of(fd: int) -> Writer:
    """Has anybody on this machine the file of `fd` (opened for reading only) open for writing?"""
    if not hasattr(fcntl, "F_SETLEASE") or signal.getsignal(signal.SIGIO) is not signal.SIG_IGN:
        return "unknown"
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        # EACCES: not our file. EINVAL: no leases here.
        return "busy" if error.errno == errno.EAGAIN else "unknown"
    with contextlib.suppress(OSError):  # a break in the same moment may have taken it away already
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return "free"


def _has_hole(fd: int, size: int) -> str:
    """A hole is space that was promised and never written: a copy that got its full size first."""
    if not hasattr(os, "SEEK_HOLE"):
        return ""
    try:
        hole = os.lseek(fd, 0, os.SEEK_HOLE)
    except OSError:
        return ""
    return "parts of it were never written" if hole < size else ""
