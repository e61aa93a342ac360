"""Putting an original away when its job has ended: into `originals/done`, `held` or `refused`, under a name that cannot collide.

Nothing is ever deleted but our own notes. The order makes every crash harmless, and the call may be repeated: the reason first, then the settings, then the
picture, whose rename is the end; then the empty private folder.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.intake.names import safe_stem, safe_suffix
from drydown.intake.record import NOTE, STAGED, Claimed


def release(claimed: Claimed, destination: Path, reason: Mapping[str, Any] | None) -> Path:
    """Move a claimed original, with its settings, to `destination/<stem>__<job><suffix>`, and answer where it lies now.

    `reason`: JSON values, written beside it as `<stem>__<job>.reason.json`. Across file systems it is copied, verified, and only then removed.
    Raises FileExistsError when another file has that name, FileNotFoundError when the original is in neither place, OSError.
    """
    dropped = claimed.dropped.name
    base = f"{safe_stem(dropped)}__{claimed.job}"
    if not destination.is_dir():
        durable.make_dir(destination)
    if reason is not None:
        text = json.dumps(dict(reason), indent=1, ensure_ascii=True) + "\n"
        durable.write_atomic(destination / f"{base}.reason.json", text.encode("ascii"))
    if claimed.settings is not None:
        _move(claimed.settings, destination / f"{base}.toml")
    target = destination / f"{base}{safe_suffix(dropped)}"
    _move(claimed.path, target)
    if claimed.path.parent.name == claimed.job:
        _remove_private(claimed.path.parent)
    return target


def _move(source: Path, target: Path) -> None:
    """Move, or see that an earlier call did, or finish what it began."""
    try:
        durable.move_durable(source, target)
    except FileNotFoundError:
        if source.exists() or not target.exists():
            raise
    except FileExistsError:
        if not _same_content(source, target):
            raise
        durable.unlink_durable(source)  # a copy to another file system, cut off before its last step


def _same_content(a: Path, b: Path) -> bool:
    def digest(path: Path) -> bytes:
        with path.open("rb") as file:
            return hashlib.file_digest(file, hashlib.blake2b).digest()

    try:
        return a.stat().st_size == b.stat().st_size and digest(a) == digest(b)
    except FileNotFoundError:
        return False


def _remove_private(private: Path) -> None:
    """Remove our notes and the folder; where anything else is in it, it stays and adoption says so."""
    with contextlib.suppress(OSError):
        for entry in private.iterdir():
            if entry.name in (NOTE, STAGED) or durable.is_unfinished(entry.name):
                durable.unlink_durable(entry)
        private.rmdir()
        durable.fsync_dir(private.parent)
