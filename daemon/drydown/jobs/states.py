"""The stages of a job, as data: what each is called outside, and which may follow which.

Inside there are more stages than a person needs to see: they mark the points between which a crash makes a difference. Outside only
the words of RFC 8011 (section 5.3.7, job-state) are used. This module knows no ledger and no folder.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from drydown.errors import Conflict


class Stage(StrEnum):
    """Where a job is. The comment says what must be true on disk."""

    CLAIMED = "claimed"  #: the original lies in its claimed folder
    RUNNING = "running"  #: an attempt was begun; its number is in the ledger
    STAGED = "staged"  #: everything but the sheet is in the prints folder, the sheet beside its place under a staging name
    PUBLISHING = "publishing"  #: the one rename is under way: the staging name tells whether it happened
    PUBLISHED = "published"  #: the sheet is out; the original is still to be put away
    DONE = "done"
    RETRY = "retry"  #: an attempt failed; another follows after a pause
    PAUSED = "paused"  #: the machine was at fault; nothing is charged to the job
    HELD = "held"  #: a person must decide
    FAILED = "failed"
    CANCELLED = "cancelled"


class Question(StrEnum):
    """Why a job is held, for programs; the reason beside it is for people."""

    NONE = ""
    APPROVE = "approve"  #: the preview is there: is the crop right?
    PICTURE = "picture"  #: a step found something about this picture that a person must decide
    RECIPE = "recipe"  #: the recipe, a step or a profile that the job needs cannot be used
    #: the power went, or an answer was lost, while the sheet was handed over: was it printed?
    PRINTED = "printed"
    INTERRUPTED = "interrupted"  #: the daemon itself ended too often while this job ran
    ORIGINAL = "original"  #: the original is not where it should be
    PLACE = "place"  #: a file already stands where the sheet should go, or the staged sheet was changed
    REPEATED = "repeated"  #: the same picture was dropped again for the same print: is another wanted?


#: Stage -> job-state of RFC 8011.
STATES: Mapping[Stage, str] = {
    Stage.CLAIMED: "pending",
    Stage.RETRY: "pending",
    Stage.PAUSED: "pending",
    Stage.HELD: "pending-held",
    Stage.RUNNING: "processing",
    Stage.STAGED: "processing",
    Stage.PUBLISHING: "processing",
    Stage.PUBLISHED: "processing",
    Stage.DONE: "completed",
    Stage.CANCELLED: "canceled",
    Stage.FAILED: "aborted",
}

#: No job ever leaves these; to print again is a new job that names the old one.
FINAL = frozenset({Stage.DONE, Stage.FAILED, Stage.CANCELLED})

#: An attempt may start from here.
WAITING = (Stage.CLAIMED, Stage.RETRY, Stage.PAUSED)


@dataclass(frozen=True, slots=True)
class Verb:
    """One thing that can happen to a job: what it is called afterwards, from which stages, and to which."""

    event: str
    from_stages: frozenset[Stage]
    to: Stage


_BEFORE_WORK = {Stage.CLAIMED, Stage.RETRY, Stage.PAUSED}

#: Every way from one stage to another. What is not here does not happen.
VERBS: Mapping[str, Verb] = {
    "start": Verb("started", frozenset(_BEFORE_WORK), Stage.RUNNING),
    "staged": Verb("staged", frozenset({Stage.RUNNING}), Stage.STAGED),
    "retry": Verb("tried", frozenset({Stage.RUNNING}), Stage.RETRY),
    "pause": Verb("paused", frozenset({*_BEFORE_WORK, Stage.RUNNING}), Stage.PAUSED),
    "hold": Verb(
        "held", frozenset({*_BEFORE_WORK, Stage.RUNNING, Stage.STAGED, Stage.PUBLISHING}), Stage.HELD
    ),
    "fail": Verb("aborted", frozenset({*_BEFORE_WORK, Stage.RUNNING}), Stage.FAILED),
    "cancel": Verb(
        "canceled", frozenset({*_BEFORE_WORK, Stage.RUNNING, Stage.STAGED, Stage.HELD}), Stage.CANCELLED
    ),
    "interrupted": Verb("interrupted", frozenset({Stage.RUNNING}), Stage.CLAIMED),
    "restage": Verb("rendered again", frozenset({Stage.STAGED, Stage.HELD}), Stage.CLAIMED),
    "release": Verb("released", frozenset({Stage.HELD, Stage.RETRY, Stage.PAUSED}), Stage.CLAIMED),
    "approve": Verb("approved", frozenset({Stage.HELD}), Stage.STAGED),
    "publishing": Verb("handed over", frozenset({Stage.STAGED}), Stage.PUBLISHING),
    "published": Verb("published", frozenset({Stage.PUBLISHING}), Stage.PUBLISHED),
    "done": Verb("completed", frozenset({Stage.PUBLISHED}), Stage.DONE),
}

#: Events that end an attempt, whatever came of it.
ENDS_OF_ATTEMPTS = tuple(VERBS[name].event for name in ("staged", "retry", "hold", "fail"))


def stages_of(states: Iterable[str]) -> tuple[Stage, ...]:
    """The stages that are shown as any of these job states. Raises KeyError naming a word that is no job state."""
    wanted = set(states)
    unknown = wanted - set(STATES.values())
    if unknown:
        raise KeyError(", ".join(sorted(unknown)))
    return tuple(stage for stage, state in STATES.items() if state in wanted)


def check_move(job: str, stage: Stage, verb: str) -> Verb:
    """What `verb` does to a job in `stage`. Raises Conflict when it cannot: what the job is now, and what can be done instead."""
    found = VERBS[verb]
    if stage in found.from_stages:
        return found
    raise Conflict(
        f"job {job} is {STATES[stage]} (stage '{stage}') and cannot be {found.event} now; {_advice(stage)}"
    )


def _advice(old: Stage) -> str:
    if old in FINAL:
        return "a finished job never changes, print the picture again as a new job"
    if old in (Stage.PUBLISHING, Stage.PUBLISHED):
        return "its sheet is being handed over, wait until it is completed"
    if old is Stage.HELD:
        return "it waits for a person: `drydown show` says why, then retry, approve or cancel it"
    return "wait until this stage has ended"
