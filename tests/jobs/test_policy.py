"""What follows from an attempt."""

from __future__ import annotations

import pytest
from jobs_kit import answered

from drydown.jobs.policy import (
    BACK_OFF_LONGEST_S,
    LONGEST_PAUSE_S,
    Decision,
    back_off_s,
    decide,
    interrupted_too_often,
)
from drydown.jobs.states import Question


def middle() -> float:
    """The middle of the spread: pauses come out as they are written."""
    return 0.5


def decided(
    outcome: str, *, strikes: int = 0, pauses: int = 0, culprit: str = "", in_a_row: int = 0
) -> Decision:
    result = answered("job", 1, outcome, "Because", culprit)
    return decide(result, strikes=strikes, pauses=pauses, now=1000.0, random=middle, in_a_row=in_a_row)


def test_a_sheet_is_staged() -> None:
    assert decided("done").verb == "stage"


def test_a_refusal_is_final_at_once_and_counts_as_nothing() -> None:
    assert decided("refused", strikes=1) == Decision("fail", "Because", strikes=1)


def test_what_a_person_must_decide_is_held() -> None:
    assert decided("held") == Decision("hold", "Because", question=Question.PICTURE)


@pytest.mark.parametrize("outcome", ["crashed", "killed"])
def test_a_crash_is_tried_three_times_and_then_aborted(outcome: str) -> None:
    first, second, third = (decided(outcome, strikes=strikes) for strikes in range(3))
    assert (first.verb, first.strikes, first.not_before) == ("retry", 1, 1005.0)
    assert (second.verb, second.strikes, second.not_before) == ("retry", 2, 1010.0)
    assert (third.verb, third.strikes) == ("fail", 3)
    assert "3 times" in third.reason


def test_the_machines_faults_never_count_and_the_pause_grows() -> None:
    for pauses, wait in enumerate([5, 10, 20, 40, 80, 160, 320, 640, 900, 900]):
        decision = decided("machine", strikes=2, pauses=pauses)
        assert (decision.verb, decision.strikes, decision.pauses) == ("pause", 2, pauses + 1)
        assert decision.not_before - 1000.0 == wait


def test_a_step_that_fails_five_times_in_a_row_holds_the_jobs_instead_of_aborting_them() -> None:
    assert decided("crashed", culprit="border", in_a_row=3).verb == "retry"
    held = decided("crashed", culprit="border", in_a_row=4, strikes=2)
    assert (held.verb, held.question) == ("hold", Question.RECIPE)
    assert "border" in held.reason and "5 times in a row" in held.reason
    assert decided("crashed", in_a_row=4).verb == "retry"  # nobody's name, nobody's fault


@pytest.mark.parametrize("random", [0.0, 0.5, 0.999999])
@pytest.mark.parametrize("times", [0, 1, 7, 8, 100, 10_000])
def test_a_pause_is_spread_by_a_fifth_and_never_longer_than_eighteen_minutes(
    times: int, random: float
) -> None:
    plain = min(BACK_OFF_LONGEST_S, 5.0 * 2.0 ** min(times, 10))
    wait = back_off_s(times, lambda: random)
    assert 0.8 * plain - 1e-9 <= wait <= 1.2 * plain + 1e-9
    assert wait <= LONGEST_PAUSE_S == 1080.0


def test_the_sixth_end_of_the_program_during_one_job_is_too_many() -> None:
    assert [interrupted_too_often(count) for count in (1, 5, 6)] == [False, False, True]
