"""What follows from an attempt: a pure function of its result and of how often the job has failed before.

A refusal is final at once. A crash or a kill counts: three of them and the job is aborted, its original kept. The machine's faults never
count; the job waits and is taken up again. The daemon's own end has a counter of its own. Knows no ledger, no clock and no folder.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from drydown.jobs.states import Question

if TYPE_CHECKING:
    from drydown.jobs.spec import AttemptResult

STRIKES = 3  #: crashes or kills of one job before it is aborted
INTERRUPTIONS = 5  #: ends of the daemon during one job before it is held
IN_A_ROW = 5  #: crashes of one step, whatever the job, before jobs are held instead of aborted
BACK_OFF_FIRST_S = 5.0
BACK_OFF_LONGEST_S = 900.0
BACK_OFF_SPREAD = 0.2
LONGEST_PAUSE_S = BACK_OFF_LONGEST_S * (1 + BACK_OFF_SPREAD)


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with the job. `not_before` is in the caller's clock; `strikes` and `pauses` are the new counts."""

    verb: Literal["stage", "fail", "hold", "retry", "pause"]
    reason: str = ""
    not_before: float = 0.0
    strikes: int = 0
    pauses: int = 0
    question: Question = Question.NONE


def back_off_s(times_before: int, random: Callable[[], float]) -> float:
    """Seconds to wait: 5 s, doubled each time, at most 15 min, then spread by ± 20 %. `random` answers 0 <= x < 1."""
    plain = min(BACK_OFF_LONGEST_S, BACK_OFF_FIRST_S * 2.0 ** min(times_before, 20))
    return plain * (1 - BACK_OFF_SPREAD + 2 * BACK_OFF_SPREAD * random())


def decide(
    result: AttemptResult,
    *,
    strikes: int,
    pauses: int,
    now: float,
    random: Callable[[], float],
    in_a_row: int = 0,
) -> Decision:
    """Decide by what an attempt answered.

    `strikes`, `pauses`: crashes so far, and pauses in a row so far, without this attempt. `in_a_row`: crashes of the same culprit by any job, one
    after the other, without this one. `now`: seconds of the clock that `not_before` is told in.
    """
    match result.outcome:
        case "done":
            return Decision("stage", strikes=strikes)
        case "refused":
            return Decision("fail", result.reason, strikes=strikes)
        case "held":
            return Decision("hold", result.reason, strikes=strikes, question=Question.PICTURE)
        case "machine":
            not_before = now + back_off_s(pauses, random)
            return Decision("pause", result.reason, not_before, strikes=strikes, pauses=pauses + 1)
    struck = strikes + 1
    if result.outcome == "crashed" and result.culprit and in_a_row + 1 >= IN_A_ROW:
        reason = (
            f"{result.reason}. '{result.culprit}' has now failed {in_a_row + 1} times in a row, so it is hardly this picture: "
            "mend the step or take it out of the recipe, then retry."
        )
        return Decision("hold", reason, strikes=struck, question=Question.RECIPE)
    if struck >= STRIKES:
        return Decision("fail", f"{result.reason} (tried {struck} times)", strikes=struck)
    return Decision("retry", result.reason, now + back_off_s(strikes, random), strikes=struck)


def interrupted_too_often(interrupted: int) -> bool:
    """True once the daemon's own end has met this job more than five times, this one counted: then a person must look."""
    return interrupted > INTERRUPTIONS
