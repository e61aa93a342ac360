"""Removing a folder that a child has filled. It may be nested deeper than a path can be long or a program can call itself, and locked.

Every sub-folder is first moved up into the top folder, under a name of ours, and emptied there: so there is no recursion, no long path,
and never more than two open folders.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path


def remove_tree(path: Path) -> None:
    """Remove a folder with all that is in it, as far as it goes. Never raises, never follows a link; a second call goes on where this one ended."""
    with contextlib.suppress(OSError):
        top = _open(path)
        try:
            _empty(top)
        finally:
            os.close(top)
        path.rmdir()


def _empty(top: int) -> None:
    prefix = secrets.token_hex(8)  # a child cannot have guessed it, so no name of its own is in the way
    names = (f"{prefix}-{number}" for number in itertools.count())
    folders = _emptied(top, top, names)
    while folders:
        name = folders.pop()
        with contextlib.suppress(OSError):
            folder = _open(name, top)
            try:
                folders += _emptied(folder, top, names)
            finally:
                os.close(folder)
            os.rmdir(name, dir_fd=top)


def _emptied(folder: int, top: int, names: Iterator[str]) -> list[str]:
    """Remove the files of a folder and move its sub-folders up; answers what those are called now."""
    with os.scandir(folder) as entries:
        found = [(entry.name, entry.is_dir(follow_symlinks=False)) for entry in entries]
    moved = []
    for name, is_folder in sorted(found, key=lambda one: one[1]):  # files first: a full disk has room then
        with contextlib.suppress(OSError):
            if not is_folder:
                os.unlink(name, dir_fd=folder)
                continue
            _unlock(name, folder)  # to move a folder one must be allowed to write in it
            new = next(names)
            os.rename(name, new, src_dir_fd=folder, dst_dir_fd=top)
            moved.append(new)
    return moved


def _open(name: str | Path, at: int | None = None) -> int:
    _unlock(name, at)
    return os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=at)


def _unlock(name: str | Path, at: int | None) -> None:
    """Allow ourselves everything in a folder. Raises OSError for what is none: a link's target keeps its mode."""
    if not stat.S_ISDIR(os.lstat(name, dir_fd=at).st_mode):
        raise NotADirectoryError(name)
    os.chmod(name, 0o700, dir_fd=at)
