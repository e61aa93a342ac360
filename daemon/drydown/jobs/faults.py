"""Sorting what went wrong in an attempt: the picture, the machine, or a defect. Texts of libraries are read only here."""

from __future__ import annotations

import contextlib
import errno
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from drydown.errors import DrydownError, Hold, MachineFault, Refusal, StepCrashed, is_machines

_MEMORY_TEXTS = ("out of memory", "cannot allocate")
_MACHINE_TEXTS = (
    "no space left",
    "disk quota",
    "read-only file system",
    *_MEMORY_TEXTS,
    "input/output error",
    "stale file handle",
    "device or resource busy",
)
_OUT_OF_ORDER = "out of order read"
#: said after the system's "not permitted", for it does not say by whom
BOUNDS = "A step may write below job.scratch only, read the job's own files, start no program and connect to nothing."
_REASON_CHARS = 2000
_MEMINFO = Path("/proc/meminfo")
_SHORT_MB = 300  #: with less left, it is the machine that is short of memory, whoever asked for more


@dataclass(frozen=True, slots=True)
class Cause:
    """What an exception means for the job."""

    outcome: Literal["refused", "held", "machine", "crashed"]
    reason: str
    culprit: str = ""
    out_of_order: bool = False  #: a step looked twice at a picture that was opened for one pass


def sort_fault(error: BaseException) -> Cause:
    """Sort one exception. Anything not known to be the picture's or the machine's is a defect."""
    text = str(error).strip() or type(error).__name__
    match error:
        case Hold():
            return Cause("held", text)
        case Refusal():
            return Cause("refused", text)
        case MachineFault():
            return Cause("machine", text)
        case MemoryError():
            return Cause("machine", "out of memory")
        case OSError() if is_machines(error):
            return Cause("machine", text)
        case StepCrashed():
            if isinstance(error.__cause__, OSError | MemoryError) and is_machines(error.__cause__):
                return Cause("machine", text)
            if isinstance(error.__cause__, PermissionError):
                text = f"{text.rstrip('.')}. {BOUNDS}"
            return Cause("crashed", text, error.step, _OUT_OF_ORDER in text.lower())
    lower = text.lower()
    if any(mark in lower for mark in _MACHINE_TEXTS):
        return Cause("machine", text)
    return Cause("crashed", f"{type(error).__name__}: {text}", "", _OUT_OF_ORDER in lower)


def in_a_child(error: BaseException) -> Cause:
    """The same inside an attempt's process, as it may be written down: there, too many open files and too much memory are its own, by the limits that we gave it."""
    cause, step = sort_fault(error), getattr(error, "step", "")
    if any(isinstance(one, OSError) and one.errno == errno.EMFILE for one in (error, error.__cause__)):
        cause = replace(cause, outcome="crashed", culprit=step)
    elif _wanted_memory(error) and not _short_of_memory():
        text = " ".join(str(error).split()) or "out of memory"
        said = text if step else f"it asked for more memory than a job may have ({text})"
        cause = Cause("crashed", said, step)
    text = cause.reason.encode("utf-8", "backslashreplace").decode()
    return replace(cause, reason=text if len(text) <= _REASON_CHARS else text[: _REASON_CHARS - 1] + "…")


def _wanted_memory(error: BaseException) -> bool:
    """True where memory was asked for and not given."""
    if isinstance(error, DrydownError | OSError):
        asked = error, error.__cause__ if isinstance(error, StepCrashed) else None
        return any(
            isinstance(one, MemoryError) or (isinstance(one, OSError) and one.errno == errno.ENOMEM)
            for one in asked
        )
    return isinstance(error, MemoryError) or any(mark in str(error).lower() for mark in _MEMORY_TEXTS)


def _short_of_memory() -> bool:
    """True where the machine has hardly any left, and where it does not say: then nobody is charged."""
    with contextlib.suppress(OSError, ValueError):
        for line in _MEMINFO.read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) >> 10 < _SHORT_MB
    return True
