"""A claimed picture, and the note that is kept beside it: enough to know it again when the ledger is lost.

`.taken/<job>/` holds the original under its own name, its settings file if it has one, and the note. The note's name starts with a dot, because
no dropped picture's name can: dot-files are never taken. Names are kept twice: escaped for reading, and as hexadecimal bytes, because a file
name need not be text.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.intake.settle import Look
from drydown.showing import shown

NOTE = ".job.json"
STAGED = ".staged"  #: whoever stages a finished sheet leaves this beside the original: from here on it may have been printed
NOTE_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A picture that is ours. `path` and `settings` lie in the private folder `.taken/<job>`, which belongs to this job alone."""

    job: str
    folder: str  #: name of the hot folder, or what `run` calls itself
    path: Path
    settings: Path | None
    within: str  #: sub-folder of the hot folder that it was dropped in; empty for the hot folder itself
    look: Look  #: as it lay in the private folder right after the claim
    taken_at_s: float  #: wall clock, seconds since 1970; for showing only
    dropped: Path  #: where it lay before
    trouble: str = ""  #: after a crash: what is wrong with it; a person must decide, or `claim.give_back`
    settled: bool = True  #: False after a crash when it changed since it was claimed, or may still be written
    staged: bool = False  #: a finished sheet may have been published already

    @property
    def name(self) -> str:
        """The original's own name; to be shown through `names.shown`."""
        return self.path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What was known when the picture was claimed, before it was moved."""

    job: str
    folder: str
    within: str
    name: str
    look: Look
    settings: str | None
    settings_look: Look | None
    taken_at_s: float
    dropped: str
    copied: bool = False  #: the picture is a copy of a file that stayed where it was

    def claimed(self, private: Path, look: Look) -> Claimed:
        """The picture that it speaks of, as it lies in the job's folder `private`."""
        return Claimed(
            job=self.job,
            folder=self.folder,
            path=private / self.name,
            settings=None if self.settings is None else private / self.settings,
            within=self.within,
            look=look,
            taken_at_s=self.taken_at_s,
            dropped=Path(self.dropped),
        )


def write(note: Note, *, job_fd: int) -> None:
    """Write the note into the job's open folder, durably. Raises OSError."""
    data: dict[str, Any] = {
        "note": NOTE_VERSION,
        "job": note.job,
        "folder": note.folder,
        "name": shown(note.name),
        "name_hex": _hexed(note.name),
        "within": shown(note.within),
        "within_hex": _hexed(note.within),
        "dropped_hex": _hexed(note.dropped),
        "copied": note.copied,
        **_look_out(note.look),
        "settings": None
        if note.settings is None or note.settings_look is None
        else {
            "name": shown(note.settings),
            "name_hex": _hexed(note.settings),
            **_look_out(note.settings_look),
        },
        "taken_at": datetime.fromtimestamp(note.taken_at_s, UTC).isoformat(timespec="milliseconds"),
        "taken_at_s": note.taken_at_s,
    }
    text = json.dumps(data, indent=1, ensure_ascii=True) + "\n"
    durable.write_atomic(NOTE, text.encode("ascii"), mode=0o600, dir_fd=job_fd)


def read(job_fd: int) -> Note | None:
    """The note in a job's open folder; None when it is missing, of zero length, or not ours: then it is written again from what is there."""
    try:
        fd = os.open(NOTE, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=job_fd)
        with os.fdopen(fd, "rb") as file:
            data = json.load(file)
        settings = data["settings"]
        if data["note"] != NOTE_VERSION:
            return None
        return Note(
            job=str(data["job"]),
            folder=str(data["folder"]),
            within=_unhexed(data["within_hex"]),
            name=_unhexed(data["name_hex"]),
            look=_look_in(data),
            settings=None if settings is None else _unhexed(settings["name_hex"]),
            settings_look=None if settings is None else _look_in(settings),
            taken_at_s=float(data["taken_at_s"]),
            dropped=_unhexed(data["dropped_hex"]),
            copied=bool(data["copied"]),
        )
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


def _hexed(name: str) -> str:
    return os.fsencode(name).hex()


def _unhexed(hexed: str) -> str:
    return os.fsdecode(bytes.fromhex(hexed))


def _look_out(look: Look) -> dict[str, int]:
    return {"ino": look.ino, "size": look.size, "mtime_ns": look.mtime_ns, "ctime_ns": look.ctime_ns}


def _look_in(data: dict[str, Any]) -> Look:
    return Look(*(int(data[key]) for key in ("ino", "size", "mtime_ns", "ctime_ns")))
