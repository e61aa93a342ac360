"""A hot folder as a place: its marker, its private folder for claimed pictures, and how to open it and what lies below it safely.

An unmounted share is an empty folder. The marker, a small file with an identity of its own, tells the two apart: without it the folder is
*offline* and nothing at all is concluded from what it holds. Everything below is reached through open folders, one name at a
time and never through a link, so what was checked is what is used.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from drydown import durable
from drydown.errors import MachineFault
from drydown.intake.whose import Studio
from drydown.showing import shown

MARKER = ".drydown-folder"
TAKEN = ".taken"

_IDENTITY = re.compile(rb'^identity = "([0-9A-Za-z-]{1,64})"$', re.MULTILINE)
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class HotFolder:
    """`identity`: what the marker must say; empty accepts any (a folder that no ledger knows yet). `studio`: whose it must be (`owner`)."""

    name: str
    path: Path
    identity: str = ""
    studio: Studio | None = None


class FolderOffline(MachineFault):
    """The folder is not there, or is not the one that was set up. Nothing may be concluded from what it holds."""


def set_up(path: Path, identity: str) -> str:
    """Make a hot folder ready: itself, its private folder (0700) and its marker. Answers its identity: an existing marker stands.

    `identity`: 1-64 letters, digits or minus, made by the caller. To be called when a person sets a folder up, never because a
    marker is missing: that is the sign of a share that is not mounted. Raises OSError, FolderOffline for a damaged marker.
    """
    path.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        durable.make_dir(path / TAKEN)
    with _open(path) as fd:
        if found := _identity(fd, path):
            return found
        for name in filter(durable.is_unfinished, names_in(fd)):  # an earlier set-up was cut off
            durable.unlink_durable(name, dir_fd=fd)
    text = (
        "# Drydown takes pictures from this folder. This file tells the folder from an empty mount point: please leave it.\n"
        f'identity = "{identity}"\n'
    )
    durable.write_atomic(path / MARKER, text.encode("ascii"))
    return identity


@contextlib.contextmanager
def opened(folder: HotFolder) -> Iterator[int]:
    """A descriptor of the hot folder itself, its marker checked. Raises FolderOffline, or OSError of a sick file system."""
    with _open(folder.path) as fd:
        found = _identity(fd, folder.path, folder.identity)
        where = shown(str(folder.path))
        if not found:
            raise FolderOffline(
                f"{where} is offline: its marker file {MARKER} is missing, so this may be an empty mount point; "
                f"mount the share, or, where this really is the right folder, put {_line(folder.path, folder.identity)}"
            )
        if folder.identity and found != folder.identity:
            raise FolderOffline(
                f"{where} is offline: its marker says {found}, this folder is {folder.identity}; mount the right share, "
                f"or, where this really is the right folder, replace that by {_line(folder.path, folder.identity)}"
            )
        yield fd


@contextlib.contextmanager
def below(root_fd: int, within: str) -> Iterator[int]:
    """A descriptor of the folder `within` (`a/b`, empty for the root itself), no part of which may be a link. Raises OSError."""
    fd = os.dup(root_fd)
    try:
        for part in within.split("/") if within else ():
            deeper = os.open(part, _FOLDER | os.O_NOFOLLOW, dir_fd=fd)
            os.close(fd)
            fd = deeper
        yield fd
    finally:
        os.close(fd)


def names_in(fd: int) -> list[str]:
    """All names in an open folder. Raises OSError."""
    with os.scandir(fd) as entries:
        return [entry.name for entry in entries]


def joined(within: str, name: str) -> str:
    """The path of `name` in the sub-folder `within`, relative to the hot folder."""
    return f"{within}/{name}" if within else name


def split(relative: str) -> tuple[str, str]:
    """The inverse of `joined`."""
    within, _, name = relative.rpartition("/")
    return within, name


@contextlib.contextmanager
def _open(path: Path) -> Iterator[int]:
    try:
        fd = os.open(path, _FOLDER)
    except (FileNotFoundError, NotADirectoryError):
        raise FolderOffline(
            f"{shown(str(path))} is offline: there is no such folder; mount the share, or make it"
        ) from None
    try:
        yield fd
    finally:
        os.close(fd)


def _line(path: Path, identity: str) -> str:
    """What the marker must say, and where it lies, for a person to write."""
    line = (
        f'the line identity = "{identity}"'
        if identity
        else 'a line identity = "NAME" with a NAME of your own'
    )
    return f"{line} in the file {shown(str(path / MARKER))}"


def _identity(fd: int, path: Path, known: str = "") -> str:
    """What the marker says; empty when there is none. `known`: what it ought to say, for the sentence."""
    try:
        marker = os.open(MARKER, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=fd)
    except FileNotFoundError:
        return ""
    try:
        found = _IDENTITY.search(os.read(marker, 4096))
    finally:
        os.close(marker)
    if found is None:
        raise FolderOffline(
            f"{shown(str(path))} is offline: its marker file {MARKER} is damaged; "
            f"where this really is the right folder, put {_line(path, known)}"
        )
    return found.group(1).decode("ascii")
