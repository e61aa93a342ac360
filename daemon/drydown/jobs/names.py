"""The names that a job's files get, and the names that a clean-up may delete.

Every name holds the job, so two pictures of one name never meet and writing the same file twice is harmless. Names of originals
are bytes that a stranger chose (a `str` as `os.fsdecode` gives it); names of outputs begin with the plan's harmless stem.
"""

from __future__ import annotations

import os
import re

NAME_BYTES_MAX = 255  #: NAME_MAX of the usual file systems, in bytes
RECORD = ".job.json"
REASON = ".reason.txt"
#: kind of output -> what follows `<stem>__<job>`
SUFFIXES = {
    "sheet": ".tif",
    "preview": ".preview.jpg",
    "ticket": ".ticket.txt",
    "ticket_json": ".ticket.json",
    "page": ".page.html",
}
OPTIONAL = frozenset({"page"})  #: kinds that an attempt may leave out

PRINTS_MARKER = ".drydown-prints"  #: tells a folder of sheets from an empty mount point
AGAIN = "held"  #: below a folder of sheets: those that came back after a power cut
#: In a claimed folder, beside the original.
CLAIM_NOTE = ".job.json"  #: written by whoever claimed it
STAGED_MARKER = ".staged"  #: from here on the sheet may have been printed

_JOB = r"[0-9a-z]{8,32}"
_IS_JOB = re.compile(_JOB)
_STAGE = re.compile(rf"\.stage-({_JOB})\.part")
_OF_JOB = re.compile(rf".*__({_JOB})({re.escape(RECORD)}|{re.escape(REASON)})", re.DOTALL)


def is_job(name: str) -> bool:
    """True for what can be the name of a job: small letters and digits only, so it is harmless in any path."""
    return _IS_JOB.fullmatch(name) is not None


def sheet_prefix(stem: str, job: str) -> str:
    """`<stem>__<job>`, what the names of a job's outputs begin with."""
    return f"{stem}__{job}"


def stage_name(job: str) -> str:
    """Name of a finished sheet beside its place, not yet visible to whoever collects the sheets."""
    return f".stage-{job}.part"


def job_of_stage_name(name: str) -> str:
    """The job of a staging name; empty for any other name."""
    found = _STAGE.fullmatch(name)
    return found.group(1) if found else ""


def kept_name(original: str, job: str) -> str:
    """Name of an original once it is put away: `IMG_0042.tif` becomes `IMG_0042__<job>.tif`, cut to what a folder takes."""
    stem, suffix = split(original)
    return cut(stem, f"__{job}{suffix}")


def kept_beside(original: str, job: str, suffix: str) -> str:
    """Name of a note beside the put-away original: the same beginning, then `suffix` (RECORD or REASON)."""
    stem, _ = split(original)
    return cut(stem, f"__{job}{suffix}")


def job_of_note(name: str, suffix: str) -> str:
    """The job of a note made by `kept_beside` with this suffix; empty for any other name."""
    found = _OF_JOB.fullmatch(name)
    return found.group(1) if found and found.group(2) == suffix else ""


def split(name: str) -> tuple[str, str]:
    """Stem and suffix; a suffix longer than 16 bytes is none."""
    stem, dot, suffix = name.rpartition(".")
    if not stem or len(os.fsencode(suffix)) > 15:
        return name, ""
    return stem, dot + suffix


def cut(stem: str, end: str, *, beside: str = "") -> str:
    """As much of `stem` as fits, cut between letters, then `end`; a letter that is no text is one byte. `beside`: what may still follow in another name."""
    room = NAME_BYTES_MAX - len(os.fsencode(end + beside))
    while len(os.fsencode(stem)) > room:
        stem = stem[:-1]
    return stem + end
