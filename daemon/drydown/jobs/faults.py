"""Sorting what went wrong in an attempt: the picture, the machine, or a defect. Texts of libraries are read only here."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import Literal

from drydown.errors import Hold, MachineFault, Refusal, StepCrashed

#: errors of a file system, not of a picture: the work is done again once the cause is gone
MACHINE_ERRNOS = frozenset(
    getattr(errno, name)
    for name in ("ENOSPC", "EDQUOT", "EROFS", "EIO", "ESTALE", "EBUSY", "ENOMEM", "EMFILE", "ENFILE")
    if hasattr(errno, name)
)
_MACHINE_TEXTS = (
    "no space left",
    "disk quota",
    "read-only file system",
    "out of memory",
    "cannot allocate",
    "input/output error",
)
_OUT_OF_ORDER = "out of order read"


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
        case StepCrashed():
            return Cause("crashed", text, error.step, _OUT_OF_ORDER in text.lower())
        case OSError() if error.errno in MACHINE_ERRNOS:
            return Cause("machine", text)
    lower = text.lower()
    if any(mark in lower for mark in _MACHINE_TEXTS):
        return Cause("machine", text)
    return Cause("crashed", f"{type(error).__name__}: {text}", "", _OUT_OF_ORDER in lower)
