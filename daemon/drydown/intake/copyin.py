"""A copy of a person's own file, taken as if it had been dropped: what the command line's `run` prints from.

The file itself stays where it is and may be changed the next minute; the job needs something that nobody changes. The copy lies in a private folder
like a claimed picture, with the same note, so that running, recovery and putting away are the same for both.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from drydown import durable
from drydown.intake import record, walk
from drydown.intake.record import Claimed, Note
from drydown.intake.settle import Look
from drydown.intake.sidecar import Neighbours, Pairing


def beside(source: Path) -> Pairing:
    """The settings file that lies beside a picture, by the same rule as in a hot folder. Raises OSError."""
    with _opened(source.absolute().parent) as fd:
        return Neighbours({*walk.listing(fd).files, source.name}).of(source.name)


def claim_copy(
    source: Path, taken: Path, job: str, now_s: float, *, folder: str = "run", settings: Path | None = None
) -> Claimed:
    """Copy `source`, and its own `settings` if it has some, into `taken/<job>`; a link is followed, since a person named it.

    Note first, then settings, then the picture: it appears whole and verified, or not at all. `now_s`: wall clock, for the note.
    Raises FileExistsError when the job's name is taken (ask for another), BlockingIOError when the file is being written, OSError.
    """
    source = source.absolute()
    found = source.stat()
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "not a file that can be printed", str(source))
    if not taken.is_dir():
        durable.make_dir(taken)
    private = taken / job
    durable.make_dir(private)
    path = private / _without_dot(source.name)
    kept = None if settings is None else private / _without_dot(settings.name)
    note = Note(
        job=job,
        folder=folder,
        within="",
        name=path.name,
        look=Look.of(found),
        settings=None if kept is None else kept.name,
        settings_look=None if settings is None else Look.of(settings.stat()),
        taken_at_s=now_s,
        dropped=str(source),
        copied=True,
    )
    try:
        with _opened(private) as job_fd:
            record.write(note, job_fd=job_fd)
        if settings is not None and kept is not None:
            durable.copy_durable(settings, kept)
        look = Look.of(durable.copy_durable(source, path))
    except OSError:
        # The first fault is the one to report; recovery finds what stays behind.
        with contextlib.suppress(OSError):
            discard(private)
        raise
    return Claimed(
        job=job,
        folder=folder,
        path=path,
        settings=kept,
        within="",
        look=look,
        taken_at_s=now_s,
        dropped=source,
    )


def discard(private: Path) -> None:
    """Remove a job's folder of copies. Never to be called on a picture that was moved: there is no other."""
    for entry in private.iterdir():
        durable.unlink_durable(entry)
    private.rmdir()
    durable.fsync_dir(private.parent)


@contextlib.contextmanager
def _opened(folder: Path) -> Iterator[int]:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield fd
    finally:
        os.close(fd)


def _without_dot(name: str) -> str:
    """A dot at the start is for our own notes."""
    return f"_{name[1:]}" if name.startswith(".") else name
