"""Listing a hot folder and its sub-folders, through open folders and never through a link.

Sub-folders are looked into up to a depth, because people drag whole folders of pictures; a sub-folder on another file system is not, since nothing can
be claimed from it by one rename. Emptied sub-folders stay: they belong to whoever made them. In order of names, so that the same folder says the same.
"""

from __future__ import annotations

import heapq
import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from drydown.intake.folder import below, joined
from drydown.intake.found import Ignored
from drydown.intake.ignored import ignored
from drydown.showing import shown

_MOST_IGNORED = 3  #: of the files that are left alone, how many are named


@dataclass(slots=True)
class Listing:
    """The names in one folder: `files` are all that is no folder, links and pipes too; `ignored` are left alone, each with its reason."""

    files: list[str] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    ignored: list[tuple[str, str]] = field(default_factory=list)


@dataclass(slots=True)
class Walk:
    """What went wrong on the way, and what was left alone, by reason and the first of it by name: filled while `folders` runs."""

    troubles: list[str] = field(default_factory=list)
    ignored: dict[str, int] = field(default_factory=dict)
    ignored_first: list[Ignored] = field(default_factory=list)
    too_deep: bool = False

    def unreadable(self, within: str, faults: Collection[tuple[str, OSError]]) -> None:
        """Some files of a folder cannot be looked at: one trouble a folder, for it may be all of its thousands."""
        name, error = min(faults, key=lambda fault: fault[0])
        others = ", nor can others beside it" if len(faults) > 1 else ""
        reason = os.strerror(error.errno or 0)
        self.troubles.append(
            f"{shown(joined(within, name))} cannot be looked at{others}: {reason}; tried again by itself"
        )

    def leave_alone(self, within: str, found: Listing) -> None:
        for _, why in found.ignored:
            self.ignored[why] = self.ignored.get(why, 0) + 1
        named = (Ignored(joined(within, name), why) for name, why in found.ignored)
        self.ignored_first = heapq.nsmallest(
            _MOST_IGNORED, [*self.ignored_first, *named], key=lambda one: one.relative
        )

    def stop_above(self, within: str, found: Listing) -> None:
        """The limit is reached. One such folder is told of: who drops one may have dropped hundreds."""
        if found.folders and not self.too_deep:
            self.too_deep = True
            depth = len(within.split("/")) if within else 0
            self.troubles.append(
                f"sub-folder {shown(joined(within, min(found.folders)))} lies too deep: pictures are taken from at most "
                f"{depth} sub-folders within each other; move it further up"
            )


def listing(fd: int) -> Listing:
    """The names in an open folder. Raises OSError."""
    found = Listing()
    with os.scandir(fd) as entries:
        for entry in entries:
            why = ignored(entry.name)
            if why is not None:
                if not _is_ours(entry.name):
                    found.ignored.append((entry.name, why))
            elif _is_folder(entry):
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
            walk.leave_alone(within, found)
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
    if depth == 0:
        walk.stop_above(within, found)
        return
    for name in sorted(found.folders):
        yield from folders(root_fd, depth - 1, walk, joined(within, name))


def _is_folder(entry: os.DirEntry[str]) -> bool:
    """Some file systems have to be asked for each name; one that does not answer is no folder, and whoever looks at the file says so."""
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:
        return False


def _is_ours(name: str) -> bool:
    return name.startswith((".drydown-", ".taken"))
