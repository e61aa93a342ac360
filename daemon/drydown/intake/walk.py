"""Listing a hot folder and its sub-folders, through open folders and never through a link.

Sub-folders are looked into up to a depth, because people drag whole folders of pictures; a sub-folder on another file system is not, since nothing can
be claimed from it by one rename. Emptied sub-folders stay: they belong to whoever made them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field

from drydown.intake.folder import below, joined
from drydown.intake.ignored import ignored
from drydown.showing import shown


@dataclass(slots=True)
class Listing:
    """The names in one folder: `files` are all that is no folder, links and pipes too; `ignored` counts by reason."""

    files: list[str] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    ignored: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Walk:
    """What went wrong on the way, and what was left alone: filled while `folders` runs."""

    troubles: list[str] = field(default_factory=list)
    ignored: dict[str, int] = field(default_factory=dict)


def listing(fd: int) -> Listing:
    """The names in an open folder. Raises OSError."""
    found = Listing()
    with os.scandir(fd) as entries:
        for entry in entries:
            why = ignored(entry.name)
            if why is not None:
                if not _is_ours(entry.name):
                    found.ignored[why] = found.ignored.get(why, 0) + 1
            elif entry.is_dir(follow_symlinks=False):
                found.folders.append(entry.name)
            else:
                found.files.append(entry.name)
    return found


def folders(root_fd: int, depth: int, walk: Walk, within: str = "") -> Iterator[tuple[str, int, Listing]]:
    """Every folder from the hot folder down: (its path within, an open descriptor valid until the next one, its names).

    A sub-folder that vanishes is skipped; one that cannot be read is noted in `walk`. Raises OSError for the hot folder itself only.
    """
    try:
        with below(root_fd, within) as fd:
            if within and os.fstat(fd).st_dev != os.fstat(root_fd).st_dev:
                walk.troubles.append(
                    f"sub-folder {shown(within)} lies on another disk or share, so nothing can be taken from it; "
                    "make it a hot folder of its own"
                )
                return
            found = listing(fd)
            for why, count in found.ignored.items():
                walk.ignored[why] = walk.ignored.get(why, 0) + count
            yield within, fd, found
    except FileNotFoundError:
        if not within:
            raise
        return
    except OSError as error:
        if not within:
            raise
        walk.troubles.append(f"sub-folder {shown(within)} cannot be read: {os.strerror(error.errno or 0)}")
        return
    for name in found.folders if depth > 0 else ():
        yield from folders(root_fd, depth - 1, walk, joined(within, name))


def _is_ours(name: str) -> bool:
    return name.startswith((".drydown-", ".taken"))
