"""Originals that a rule of the studio lets go: of completed jobs only, long enough after the last thing that happened to them, and only what was printed.

Nothing else in the program ever deletes a person's picture. So before one goes it is read once more, and has to be byte for byte what the job was made
from; its path, size and BLAKE3 stand in the ledger before it is unlinked, and in the job log. The record beside it stays.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from drydown import durable
from drydown.jobs.hashing import file_hash
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import Ledger
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.originals import kept_path
from drydown.jobs.places import Places
from drydown.jobs.states import Stage

DAY_S = 86_400.0
REMOVED = "original removed"  #: the event


@dataclass(frozen=True, slots=True)
class Old:
    """An original that the rule lets go."""

    job: str
    source_name: str
    path: Path
    bytes: int
    printed: str  #: BLAKE3 of what the job was made from
    since: float  #: the last thing that happened to the job


def old_originals(ledger: LedgerView, places: Places, rows: Iterable[JobRow], before: float) -> list[Old]:
    """Those of `rows` whose original may go: completed, nothing happened since `before` (seconds since 1970), and nobody needs it."""
    needed = _needed(ledger)
    found = []
    for row in rows:
        if row.stage is not Stage.DONE or row.copied or row.updated >= before:
            continue
        path, printed = kept_path(places, row, "done"), str(row.result_data.get("source_blake3") or "")
        size = _size(path)
        if size is not None and printed and path not in needed:
            found.append(Old(row.id, row.source_name, path, size, printed, row.updated))
    return found


def remove(ledger: Ledger, log: JobLog, places: Places, old: Old) -> str:
    """Let one go; answers why not, or empty. Harmless to repeat after a crash. Raises OSError."""
    if _size(old.path) is None:
        return "it is gone"
    if file_hash(old.path) != old.printed:
        return "it is not the picture that was printed: it has changed since"
    shown = places.shown(old.path)
    if not any(event.event == REMOVED for event in ledger.events(old.job)):
        detail = {"path": shown, "bytes": old.bytes, "blake3": old.printed}
        ledger.note(old.job, REMOVED, json.dumps(detail))
        log.write(REMOVED, old.job, **detail)
    durable.unlink_durable(old.path)
    return ""


def _needed(ledger: LedgerView) -> frozenset[Path]:
    """Pictures that a job which has not ended was planned with."""
    needed = set()
    for row in ledger.live():
        spec = row.spec_data
        needed.add(Path(str(spec.get("source", ""))))
        needed.update(Path(str(one.get("source", ""))) for one in spec.get("companions") or ())
    return frozenset(needed)


def _size(path: Path) -> int | None:
    """Of a plain file; None for anything else."""
    try:
        found = os.lstat(path)
    except OSError:
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None
