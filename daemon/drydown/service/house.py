"""A studio and its plugins as loaded together, and whether a person has changed a file since."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from drydown.discovery import Discovery, discover
from drydown.errors import StudioError
from drydown.geometry import placement_faults
from drydown.jobs.places import Places
from drydown.studio.cross import STUDIO_FILE
from drydown.studio.explain import explain
from drydown.studio.load import load
from drydown.studio.studio import Studio
from drydown.studio.toml_file import read_toml

Signature = tuple[tuple[str, int, int], ...]


@dataclass(frozen=True, slots=True)
class House:
    """Everything that a person wrote or installed, at one moment."""

    places: Places
    studio: Studio
    discovery: Discovery
    signature: Signature

    def changed(self) -> bool:
        """True when a file of the studio was written, added or removed since it was loaded."""
        return signature_of(self.places.root) != self.signature


def open_house(root: Path, *, strict: bool = True, leave_out: bool = False) -> House:
    """Load plugins, then the studio. Raises StudioError with every fault of every file.

    `strict`: also what would spoil sheets though every file is well written, such as a picture in the edges that the printer cannot reach.
    `leave_out`: recipes with faults are off, and the others go on.
    """
    places = Places(root)
    before = signature_of(root)  # first: what changes while we read is seen as a change
    found = discover(places.plugins, off=_off(root))
    studio = load(root, found.offers, found.problems, leave_out=leave_out)
    if strict and (faults := explain(studio, placement_faults=placement_faults).faults):
        if not leave_out:
            raise StudioError(faults)
        studio = studio.without(faults)
    return House(places, studio, found, before)


def signature_of(root: Path) -> Signature:
    """Name, time and size of every file that a person writes."""
    return tuple(sorted(_stats(root)))


def _stats(root: Path) -> Iterator[tuple[str, int, int]]:
    for pattern in (STUDIO_FILE, "stocks/*.toml", "recipes/*.toml", "profiles/*", "plugins/*.py"):
        for path in root.glob(pattern):
            try:
                found = path.stat()
            except OSError:
                continue
            yield str(path), found.st_mtime_ns, found.st_size


def _off(root: Path) -> tuple[str, ...]:
    """`plugins.off` must be known before plugins are loaded; a faulty file is told of by `load` afterwards."""
    data = read_toml(root / STUDIO_FILE, STUDIO_FILE)
    try:
        off = data["plugins"]["off"] if isinstance(data, dict) else ()
        return tuple(name for name in off if isinstance(name, str))
    except (KeyError, TypeError):
        return ()
