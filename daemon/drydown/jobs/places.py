"""Where a studio keeps what belongs to its jobs, and whether a folder of sheets is really there. Knows paths, nothing else."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from drydown import durable
from drydown.errors import MachineFault
from drydown.jobs.names import PRINTS_MARKER
from drydown.showing import shown

Kept = Literal["done", "held", "refused"]


@dataclass(frozen=True, slots=True)
class Places:
    """The folders and files below a studio's root that jobs use."""

    root: Path

    @property
    def state(self) -> Path:
        """What the program keeps for itself; must lie on a disk of this machine."""
        return self.root / "state"

    @property
    def ledger(self) -> Path:
        return self.state / "ledger.db"

    @property
    def lock(self) -> Path:
        return self.state / "lock"

    @property
    def log(self) -> Path:
        return self.state / "jobs.log"

    @property
    def live(self) -> Path:
        """What the running daemon tells of itself."""
        return self.state / "daemon.json"

    @property
    def requests(self) -> Path:
        return self.state / "requests"

    @property
    def work(self) -> Path:
        """`work/<job>/<attempt>/` is the only place that an attempt may write."""
        return self.state / "work"

    @property
    def profiles(self) -> Path:
        """Profiles that jobs were made with, kept under their hash."""
        return self.state / "profiles"

    @property
    def copies(self) -> Path:
        """Claimed copies of what the command line was given; those files stay with their owner."""
        return self.state / "taken"

    @property
    def plugins(self) -> Path:
        """The studio's own plugins."""
        return self.root / "plugins"

    def originals(self, kind: Kept) -> Path:
        """Where originals are put away, with the reason beside. `held` has the reasons only: a held picture stays in its queue."""
        return self.root / "originals" / kind

    def shown(self, path: Path) -> str:
        """A path as a person would name it: below the studio where it lies there."""
        return shown(str(path.relative_to(self.root) if path.is_relative_to(self.root) else path))


def make_folders(path: Path, *, mode: int = 0o755) -> None:
    """Make a folder and those above it, each name synced; fine where they exist. Raises OSError."""
    if path.is_dir():
        return
    make_folders(path.parent, mode=mode)
    try:
        durable.make_dir(path, mode=mode)
    except FileExistsError:
        if not path.is_dir():
            raise


def prepare_prints(folder: Path, *, known: bool) -> None:
    """Make a folder of sheets ready to be written to: itself, and its marker. `known`: sheets were written there before.

    Raises MachineFault for a known folder that stands there without its marker: it may be an empty mount point; OSError.
    """
    if folder.is_dir():
        if has_marker(folder):
            return
        if known:
            raise MachineFault(
                f"{shown(str(folder))} is offline: its marker file {PRINTS_MARKER} is missing, so this may be an empty mount point; "
                f"mount the share, or, if the folder was emptied on purpose, make an empty file of that name in it"
            )
    make_folders(folder)
    text = (
        "# Drydown publishes sheets in this folder. This file tells it from an empty mount point: please leave it.\n"
        f'identity = "{secrets.token_hex(8)}"\n'
    )
    durable.write_atomic(folder / PRINTS_MARKER, text.encode("ascii"), mode=0o644)


def has_marker(folder: Path) -> bool:
    """True when what is in this folder, and what is not, may be concluded from."""
    return (folder / PRINTS_MARKER).is_file()
