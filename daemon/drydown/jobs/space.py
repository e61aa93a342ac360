"""Free space: how much an attempt may need, what a file system lacks for it, and a ballast to throw off when a disk is full.

The system is asked each time and nothing is remembered. The ballast is a file of ours that is good for nothing: removed on a full disk, it
gives the ledger and the job log the few pages that they need to say so.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from drydown.api import MM_PER_INCH
from drydown.jobs.spec import JobSpec
from drydown.showing import shown

BALLAST_BYTES = 4 << 20
#: Names that one attempt makes, with those of publishing and putting away, and as many again.
INODES = 32
_MB = 1 << 20
#: Preview, ticket, record, log and results; measured below 2 MB on a 13x19 sheet.
_BESIDE_BYTES = 8 << 20
#: Four channels of 16 bits, the most that a sheet has.
_BYTES_PER_PX = 8


@dataclass(frozen=True, slots=True)
class Room:
    """What a file system has left for us. `inodes` is None where it does not count them."""

    free_bytes: int
    inodes: int | None
    read_only: bool


def bound_bytes(spec: JobSpec) -> int:
    """The most that an attempt leaves on the disk: its sheet, uncompressed, and a scratch copy as large. A step that needs still more runs out, and waits."""
    sides_px = (
        side / MM_PER_INCH * spec.stock.ppi for side in (spec.sheet.size.width, spec.sheet.size.height)
    )
    width, height = sides_px
    return 2 * int(width * height * _BYTES_PER_PX) + _BESIDE_BYTES


def room(path: Path) -> Room:
    """What is left where `path` lies, or would lie. Raises OSError of a sick file system."""
    while True:
        try:
            found = os.statvfs(path)
            break
        except (FileNotFoundError, NotADirectoryError):
            if path == path.parent:
                raise
            path = path.parent
    return Room(
        free_bytes=found.f_bavail * found.f_frsize,
        inodes=found.f_favail if found.f_files else None,
        read_only=bool(found.f_flag & os.ST_RDONLY),
    )


def shortage(path: Path, wanted_bytes: int) -> str:
    """What the file system of `path` lacks for `wanted_bytes` more, as a sentence; empty when it has room."""
    where = shown(str(path))
    try:
        left = room(path)
    except OSError as error:
        return f"{where} cannot be looked at ({error.strerror or error})."
    if left.read_only:
        return f"{where} lies on a file system that is mounted read-only; mount it for writing again."
    if left.inodes is not None and left.inodes < INODES:
        return (
            f"The file system of {where} has no inodes left for new files ({left.inodes} free), though perhaps space; "
            "remove files there."
        )
    if left.free_bytes < wanted_bytes:
        free, wanted = left.free_bytes / _MB, wanted_bytes / _MB
        return (
            f"The disk is full: {free:.1f} MB are free at {where}, and {wanted:.0f} MB are needed; make room."
        )
    return ""


@dataclass(frozen=True, slots=True)
class Ballast:
    """A file that only takes space. `keep_free_bytes`: it is taken on only where so much stays free beside it."""

    path: Path
    keep_free_bytes: int
    size: int = BALLAST_BYTES

    def trim(self) -> None:
        """Throw it off on a full disk, take it on again where there is room. Never raises."""
        with contextlib.suppress(OSError):
            free = room(self.path).free_bytes
            if free < self.size // 2:
                self.throw_off()
            elif free >= self.keep_free_bytes + 2 * self.size and not self.path.exists():
                self._take_on()

    def throw_off(self) -> None:
        """Give its space to the ledger and the log. Never raises."""
        with contextlib.suppress(OSError):
            self.path.unlink()

    def _take_on(self) -> None:
        fd = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            _allocate(fd, self.size)
        except OSError:
            self.throw_off()
            raise
        finally:
            os.close(fd)


def _allocate(fd: int, size: int) -> None:
    """Space that is really taken: a hole would be no ballast."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(fd, 0, size)
        return
    block = os.urandom(_MB)  # a file system that squeezes zeros must not squeeze this
    for _ in range(size // _MB):
        os.write(fd, block)
