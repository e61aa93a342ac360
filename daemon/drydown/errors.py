"""The kinds of bad news, and one way to show each.

`StudioError`: what a person wrote cannot be used; found before a job starts, every fault at once.
`Refusal`: this photograph cannot be printed as asked; a sentence, no traceback. `Hold` is its milder form: the job waits for a person.
`MachineFault`: no space, no memory, a share that went away; nobody's picture is to blame, the work is done again later.
`StepCrashed`: a defect in a step or in the program; the traceback goes to the log.

This module imports nothing of ours, so that every part may use it.
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of the command line (numbers above 63 are those of BSD's sysexits)."""

    OK = 0
    SOME_NOT_COMPLETED = 1  #: the command ran; at least one job ended aborted, held or canceled
    USAGE = 2  #: the command line itself was wrong
    STUDIO_FAULTY = 3  #: a file of the studio has faults; they are listed
    NOT_FOUND = 4  #: no such job, recipe, step or file
    CONFLICT = 5  #: the job is in a state that does not allow this
    INTERNAL = 70  #: a defect of the program; the log has the details
    MACHINE = 74  #: no space, no permission, a file system that failed
    BUSY = 75  #: another daemon holds this studio


class DrydownError(Exception):
    """Anything that the program says on purpose: its text is meant for a person."""

    exit_code: Exit = Exit.INTERNAL


#: errors of a file system or of the machine: no picture, no plugin and no person's file is to blame; the work is done again once they are gone
MACHINE_ERRNOS = frozenset(
    getattr(errno, name)
    for name in (
        *("ENOSPC", "EDQUOT", "EROFS", "EIO", "ESTALE", "EBUSY", "ENOMEM", "EMFILE", "ENFILE"),
        # what a file server that went away is told of as
        *("ETIMEDOUT", "EHOSTDOWN", "EHOSTUNREACH", "ENETDOWN", "ENETUNREACH", "ENOTCONN"),
        *("ECONNABORTED", "ECONNRESET", "ESHUTDOWN", "EREMOTEIO"),
    )
    if hasattr(errno, name)
)


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault of one file: where it stands, why it is one, and what was probably meant."""

    file: str  #: path as a person would name it, below the studio
    place: str  #: the key or table, such as `step 3 (sharpen): strength`; empty for the whole file
    reason: str  #: lower case, no full stop
    guess: str = ""  #: the next move, such as `did you mean strength?`

    def __str__(self) -> str:
        where = f"{self.file}: {self.place}" if self.place else self.file
        return f"{where}: {self.reason}" + (f"; {self.guess}" if self.guess else "")


class StudioError(DrydownError):
    """What a person wrote cannot be used. Holds every fault found, in the order of the files."""

    exit_code = Exit.STUDIO_FAULTY

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class Refusal(DrydownError):
    """This photograph cannot be printed as asked: the job is `aborted`, the original is kept.

    The text is one or two whole sentences: what was found, what was asked, the next move.
    """

    exit_code = Exit.SOME_NOT_COMPLETED

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence
        super().__init__(sentence)


class Hold(Refusal):
    """A person must decide: the job is `pending-held` until `retry` (with `--anyway`), `approve` or `cancel`."""


class MachineFault(DrydownError):
    """The machine, not the picture, is at fault (no space, no memory, a lost share): nothing is charged to the job."""

    exit_code = Exit.MACHINE


class NotFound(DrydownError):
    """No such job, recipe, step or file."""

    exit_code = Exit.NOT_FOUND


class Conflict(DrydownError):
    """The job is in a state that does not allow what was asked."""

    exit_code = Exit.CONFLICT


class Busy(DrydownError):
    """Another daemon holds this studio."""

    exit_code = Exit.BUSY


class StepCrashed(DrydownError):
    """A step raised something that is not a Refusal, or returned what the contract forbids.

    `step` is its name in the recipe, `offered_by` who offers it (distribution and version, or file of the studio).
    """

    def __init__(self, step: str, offered_by: str, what: str) -> None:
        self.step, self.offered_by, self.what = step, offered_by, what
        super().__init__(f"step '{step}' (offered by {offered_by}) failed: {what}")

    def __reduce__(self) -> tuple[type[StepCrashed], tuple[str, str, str]]:
        return StepCrashed, (self.step, self.offered_by, self.what)


def is_machines(error: BaseException) -> bool:
    """True for an error of the system that says nothing about a picture: no space, a sick disk, a share that went away, no memory."""
    return isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno in MACHINE_ERRNOS)
