"""Reading what a child has left in its folder. It may be anything: endless, a link to elsewhere, a pipe that nobody writes to."""

from __future__ import annotations

import os
import stat
from pathlib import Path


def is_own_file(path: Path) -> bool:
    """True for a plain file with no second name: not a link, and not another's file under a name of ours. Raises OSError."""
    found = path.lstat()
    return stat.S_ISREG(found.st_mode) and found.st_nlink == 1


def read_plain(path: Path, most: int) -> bytes:
    """A plain file of at most `most` bytes. Raises OSError, ValueError for anything else."""
    data = _read(path, most + 1, from_end=False)
    if len(data) > most:
        raise ValueError(f"{path.name} is longer than {most} bytes")
    return data


def tail(path: Path, most: int) -> str:
    """The last `most` bytes of a plain file as text, stripped; empty where there is none."""
    try:
        return _read(path, most, from_end=True).decode("utf-8", "backslashreplace").strip()
    except (OSError, ValueError):
        return ""


def _read(path: Path, count: int, *, from_end: bool) -> bytes:
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as file:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            raise ValueError(f"{path.name} is no plain file")
        file.seek(max(0, found.st_size - count) if from_end else 0)
        return file.read(count)
