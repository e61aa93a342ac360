"""Putting a built profile in the place of a stock's: whole or not at all, and the old one kept beside it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from drydown.durable import write_atomic


def install(icc: bytes, path: Path, *, today: date) -> Path | None:
    """Write `icc` under `path`; what stood there is kept as `NAME.<date>.icc` beside it, and that path is the answer (None: nothing stood there).

    The old one is on the disk under its new name before the new one takes its place, by one rename; so at every moment a whole profile stands under `path`.
    The same bytes are not kept twice. Raises OSError; then the old profile still stands.
    """
    kept = None
    if path.is_file():
        old = path.read_bytes()
        if old == icc:
            return None
        kept = _free(path, today, old)
        write_atomic(kept, old)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(path, icc)
    return kept


def _free(path: Path, today: date, old: bytes) -> Path:
    """A name of that day that is free, or that holds the same bytes already."""
    number = 1
    while True:
        again = f"-{number}" if number > 1 else ""
        name = path.with_name(f"{path.stem}.{today.isoformat()}{again}{path.suffix}")
        if not name.exists() or name.read_bytes() == old:
            return name
        number += 1
