"""One process owns a studio's ledger: an advisory lock on a file that is never deleted.

The kernel lets go of it however the owner ends, so there is no stale lock and no guessing by process id; the id in the file is for showing only.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import Self

from drydown.errors import Busy

#: Descriptors of locks held by this process. A fork would share them, and a left-over child would keep the studio locked.
_held: set[int] = set()


def _forget_after_fork() -> None:
    for fd in _held:
        with contextlib.suppress(OSError):
            os.close(fd)
    _held.clear()


os.register_at_fork(after_in_child=_forget_after_fork)


class StudioLock:
    """A held lock. `release` it, or use it as a context; the file stays."""

    def __init__(self, fd: int, path: Path) -> None:
        self._fd = fd
        self.path = path

    @classmethod
    def take(cls, path: Path, *, what: str = "") -> StudioLock:
        """Lock the studio whose lock file is `path`. `what`: who takes it, for showing, such as `drydown watch`.

        Raises Busy, naming the owner, when another process holds it; OSError.
        """
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with contextlib.suppress(OSError):  # for showing only: a full disk is no reason to stay away
                os.ftruncate(fd, 0)
                os.pwrite(fd, f"{os.getpid()} {what}".strip().encode("utf-8", "replace") + b"\n", 0)
        except BlockingIOError:
            os.close(fd)
            raise Busy(
                f"this studio is in use by {owner(path)}; one process at a time keeps its ledger: "
                "wait for it to end, or let it do the work"
            ) from None
        except BaseException:
            os.close(fd)
            raise
        _held.add(fd)
        return StudioLock(fd, path)

    def release(self) -> None:
        """Let go; a second time is harmless."""
        if self._fd in _held:
            _held.discard(self._fd)
            os.close(self._fd)
        self._fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def owner(path: Path) -> str:
    """Who took the lock last, as written in the file: `process 4711 (drydown watch)`."""
    pid, what = _written(path)
    if pid is None:
        return "another process"
    return f"process {pid} ({what})" if what.isprintable() and what else f"process {pid}"


def owner_pid(path: Path) -> int | None:
    """The process that took the lock last, as written in the file; for showing, never for safety."""
    return _written(path)[0]


def _written(path: Path) -> tuple[int | None, str]:
    try:
        pid, _, what = path.read_text("utf-8", "replace")[:200].strip().partition(" ")
    except OSError:
        return None, ""
    return (int(pid), what) if pid.isdecimal() and len(pid) < 20 else (None, what)


def is_held(path: Path) -> bool:
    """True while some process holds the lock. A moment later it may be otherwise: for choosing a way, never for safety."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False
