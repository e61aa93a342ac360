"""Which folders lie inside each other, whatever they are called: a sheet published into a hot folder would be printed again, for ever.

Two names can be one folder (symbolic links, bind mounts, a share mounted twice), so folders are told apart by device and inode, a folder that does not
exist yet by the nearest parent that does.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

Key = tuple[object, object]
Stat = Callable[[Path], os.stat_result]


class Overlap(NamedTuple):
    """`one` is, lies in or holds `other` (positions in the list given)."""

    one: int
    how: Literal["is", "lies in", "holds"]
    other: int


def overlaps(folders: Sequence[Path], *, stat: Stat = os.stat) -> list[Overlap]:
    """Every pair of folders that are one, or one inside the other; the later one of a pair first."""
    chains = [_chain(folder, stat) for folder in folders]
    found = []
    for one, mine in enumerate(chains):
        for other, theirs in enumerate(chains[:one]):
            if mine[0] == theirs[0]:
                found.append(Overlap(one, "is", other))
            elif theirs[0] in mine:
                found.append(Overlap(one, "lies in", other))
            elif mine[0] in theirs:
                found.append(Overlap(one, "holds", other))
    return found


def _chain(folder: Path, stat: Stat) -> list[Key]:
    """The keys of a folder and of all its parents, the folder first."""
    real = Path(os.path.realpath(folder))
    keys: list[Key] = []
    for place in reversed([real, *real.parents]):
        try:
            seen = stat(place)
            keys.append((seen.st_dev, seen.st_ino))
        except OSError:
            keys.append((keys[-1] if keys else "", place.name.casefold()))
    keys.reverse()
    return keys
