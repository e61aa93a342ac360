"""Claiming: one rename from the hot folder into a private folder. It is the lock, the end of all doubles, and the queue entry in one.

The order, each step on the disk before the next:

1. `.taken/<job>` is made: a name that nobody else uses.
2. The note is written there: what will be moved, from where. So a crash later loses neither the sub-folder nor the settings.
3. The settings file is moved, then the picture: the picture's rename is the claim. A crash in between leaves settings without a picture, which
   recovery puts back; the other order could print a picture without its settings.
4. Both folders are synced, and the file is asked once more, on its new name, whether anybody writes it. If so it goes back.

"No such file" at step 3 means that somebody else has it, or its owner took it away: silence.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath

from drydown import durable
from drydown.intake import complete, record
from drydown.intake.filesystem import Kind
from drydown.intake.folder import TAKEN, HotFolder, below, names_in
from drydown.intake.found import Ready
from drydown.intake.owner import opened
from drydown.intake.record import NOTE, Claimed, Note
from drydown.intake.settle import Look

_SUFFIX_BYTES_MAX = 32  #: a longer one is no file's kind, and leaves no room for the job's name


def claim(ready: Ready, job: str, now_s: float) -> Claimed | None:
    """Claim a picture under the new job's name; None when it is not to be had: gone, or changed since it was judged.

    `now_s`: wall clock, seconds since 1970, for the note. Whatever happens, the picture is either ours or where it was.
    Raises FileExistsError when the job's name is taken (ask for another), FolderOffline, OSError when the file cannot be moved.
    """
    note = Note(
        job=job,
        folder=ready.folder.name,
        within=ready.within,
        name=ready.name,
        look=ready.look,
        settings=ready.settings,
        settings_look=ready.settings_look,
        taken_at_s=now_s,
        dropped=str(ready.folder.path / ready.relative),
    )
    with contextlib.ExitStack() as stack:
        at = stack.enter_context(opened(ready.folder))
        try:
            source = stack.enter_context(below(at.root, ready.within))
        except (FileNotFoundError, NotADirectoryError):
            return None
        durable.make_dir(job, dir_fd=at.taken)
        job_fd = stack.enter_context(below(at.taken, job))
        return _move_in(note, ready.folder, ready.kind, _Places(at.root, source, at.taken, job_fd))


@dataclass(frozen=True, slots=True)
class _Places:
    """Open folders: the hot folder, where in it the picture lies, `.taken`, and the job's own."""

    root: int
    source: int
    taken: int
    job: int


def _move_in(note: Note, folder: HotFolder, kind: Kind, at: _Places) -> Claimed | None:
    try:
        record.write(note, job_fd=at.job)
        if note.settings is not None:
            durable.rename_durable(note.settings, note.settings, src_dir_fd=at.source, dst_dir_fd=at.job)
        durable.rename_durable(note.name, note.name, src_dir_fd=at.source, dst_dir_fd=at.job)
    except FileNotFoundError:
        _undo(note, at)
        return None
    except OSError:
        # The first fault is the one to report; recovery finds what stays behind.
        with contextlib.suppress(OSError):
            _undo(note, at)
        raise
    look = _still_whole(note, kind, at.job)
    if look is None:
        _undo(note, at)
        return None
    return note.claimed(folder.path / TAKEN / note.job, look)


def _still_whole(note: Note, kind: Kind, job_fd: int) -> Look | None:
    """The claimed picture's look when it, and its settings, are what was judged and nobody writes them; else None."""
    looks = [_look_again(note.name, note.look, kind, job_fd)]
    if note.settings is not None and note.settings_look is not None:
        looks.append(_look_again(note.settings, note.settings_look, kind, job_fd))
    return looks[0] if all(looks) else None


def _look_again(name: str, expected: Look, kind: Kind, job_fd: int) -> Look | None:
    try:
        with complete.opened_file(name, dir_fd=job_fd) as fd:
            found = os.fstat(fd)
            look = Look.of(found)
            if complete.unfit(found) or not look.same_content(expected):
                return None
            return None if kind == "local" and complete.writer_of(fd) == "busy" else look
    except OSError:
        return None


def _undo(note: Note, at: _Places) -> None:
    """Put back what was moved, the picture first, and take the job's folder away.

    Nothing can be moved into a sub-folder that was removed meanwhile, though it is still open: then as `give_back` does.
    """
    for name in (note.name, note.settings):
        if name is None or not _exists(name, at.job):
            continue
        try:
            move_back(name, note.job, at.job, at.source)
        except FileNotFoundError:
            with below_or_root(at.root, note.within) as source:
                move_back(name, note.job, at.job, source)
    remove_empty(note.job, at.job, at.taken)


def move_back(name: str, job: str, job_fd: int, source_fd: int) -> str:
    """Move a file from the job's folder to where it was; under a name with the job's in it if that name is taken by now."""
    try:
        durable.rename_durable(name, name, src_dir_fd=job_fd, dst_dir_fd=source_fd)
        return name
    except FileExistsError:
        stem, suffix = PurePath(name).stem, PurePath(name).suffix
        if len(os.fsencode(suffix)) > _SUFFIX_BYTES_MAX:
            stem, suffix = name, ""
        room = 255 - len(job) - 1 - len(os.fsencode(suffix))
        other = f"{os.fsdecode(os.fsencode(stem)[: max(1, room)])}-{job}{suffix}"
        durable.rename_durable(name, other, src_dir_fd=job_fd, dst_dir_fd=source_fd)
        return other


def remove_empty(job: str, job_fd: int, taken_fd: int) -> None:
    """Remove a job's folder that holds no picture any more: our own notes, then the folder. Anything else in it makes it stay."""
    for name in names_in(job_fd):
        if name in (NOTE, record.STAGED) or durable.is_unfinished(name):
            durable.unlink_durable(name, dir_fd=job_fd)
    with contextlib.suppress(OSError):
        os.rmdir(job, dir_fd=taken_fd)
        durable.fsync_dir(".", dir_fd=taken_fd)


def give_back(claimed: Claimed, folder: HotFolder) -> None:
    """Put a claimed picture and its settings back where they were dropped: for a claim after which the picture still changed.

    Where the sub-folder is gone, into the hot folder itself. Raises FolderOffline, OSError; a crash in between is healed by adoption.
    """
    with opened(folder) as at, below(at.taken, claimed.job) as job_fd:
        with below_or_root(at.root, claimed.within) as source_fd:
            for path in (claimed.path, claimed.settings):
                if path is not None and _exists(path.name, job_fd):
                    move_back(path.name, claimed.job, job_fd, source_fd)
        remove_empty(claimed.job, job_fd, at.taken)


@contextlib.contextmanager
def below_or_root(root: int, within: str) -> Iterator[int]:
    """A descriptor of a sub-folder, or of the hot folder itself where that is gone or no plain folder any more."""
    with contextlib.ExitStack() as stack:
        try:
            fd = stack.enter_context(below(root, within))
        except (FileNotFoundError, NotADirectoryError):
            fd = stack.enter_context(below(root, ""))
        yield fd


def _exists(name: str, dir_fd: int) -> bool:
    try:
        os.stat(name, dir_fd=dir_fd, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True
