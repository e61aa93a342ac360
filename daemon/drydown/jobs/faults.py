"""Sorting what went wrong in an attempt: the picture, the machine, or a defect. Texts of libraries are read only here."""

from __future__ import annotations

import errno
from dataclasses import dataclass, replace
from typing import Literal

from drydown.errors import Hold, MachineFault, Refusal, StepCrashed, is_machines

_MACHINE_TEXTS = (
    "no space left",
    "disk quota",
    "read-only file system",
    "out of memory",
    "cannot allocate",
    "input/output error",
    "stale file handle",
    "device or resource busy",
)
_OUT_OF_ORDER = "out of order read"
#: said after the system's "not permitted", for it does not say by whom
BOUNDS = "A step may write below job.scratch only, read the job's own files, start no program and connect to nothing."
_REASON_CHARS = 2000


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
    """The same inside an attempt's process, as it may be written down: there, too many open files are its own, by the limit that we gave it."""
    cause = sort_fault(error)
    if any(isinstance(one, OSError) and one.errno == errno.EMFILE for one in (error, error.__cause__)):
        cause = replace(cause, outcome="crashed", culprit=getattr(error, "step", ""))
    text = cause.reason.encode("utf-8", "backslashreplace").decode()
    return replace(cause, reason=text if len(text) <= _REASON_CHARS else text[: _REASON_CHARS - 1] + "…")
