"""A backup of what a studio cannot make again by itself: its ledger, what a person wrote, and the profiles that jobs were made with.

Pictures and sheets are left to whatever copies large files well; the ledger may be older than they are, and recovery brings both together.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from drydown import durable
from drydown.errors import Conflict
from drydown.jobs.ledger_backup import back_up_ledger
from drydown.jobs.places import Places
from drydown.showing import shown

WRITTEN = ("stocks", "recipes", "profiles", "plugins", "state/profiles")


def back_up(places: Places, target: Path) -> list[Path]:
    """Lay the backup out in `target`, a new or empty folder, in the places that its parts have in the studio; answers what it holds.

    Raises Conflict where something is there, NotFound where there is no ledger, OSError, MachineFault.
    """
    if target.exists() and any(target.iterdir()):
        raise Conflict(f"{shown(str(target))} is not empty; name a new folder for each backup")
    if target.resolve().is_relative_to(places.root.resolve()):
        raise Conflict("a backup inside the studio would be lost with it; name a folder elsewhere")
    (target / "state").mkdir(parents=True, exist_ok=True, mode=0o700)
    back_up_ledger(places.ledger, target / "state" / places.ledger.name)
    durable.write_atomic(target / "studio.toml", (places.root / "studio.toml").read_bytes())
    for name in WRITTEN:
        if (places.root / name).is_dir():
            shutil.copytree(places.root / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    return sorted(path for path in target.rglob("*") if path.is_file())
