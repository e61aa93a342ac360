"""Stages: every pair of a verb and a stage, and the words that a person sees."""

from __future__ import annotations

from itertools import product

import pytest

from drydown.errors import Conflict
from drydown.jobs.states import FINAL, STATES, VERBS, WAITING, Stage, check_move, stages_of

#: RFC 8011, section 5.3.7 (job-state), less 'processing-stopped', which no job of ours can be in.
RFC_8011 = {"pending", "pending-held", "processing", "canceled", "aborted", "completed"}

#: What the order of commits allows, written down once more by hand: from, to.
ALLOWED = {
    ("claimed", "running"), ("claimed", "paused"), ("claimed", "held"), ("claimed", "failed"), ("claimed", "cancelled"),
    ("retry", "running"), ("retry", "paused"), ("retry", "held"), ("retry", "failed"), ("retry", "cancelled"), ("retry", "claimed"),
    ("paused", "running"), ("paused", "paused"), ("paused", "held"), ("paused", "failed"), ("paused", "cancelled"), ("paused", "claimed"),
    ("running", "staged"), ("running", "retry"), ("running", "paused"), ("running", "held"), ("running", "failed"),
    ("running", "cancelled"), ("running", "claimed"),
    ("staged", "publishing"), ("staged", "held"), ("staged", "claimed"), ("staged", "cancelled"),
    ("publishing", "published"), ("publishing", "held"),
    ("published", "done"),
    ("held", "claimed"), ("held", "staged"), ("held", "cancelled"),
}  # fmt: skip


def test_every_stage_is_shown_as_a_job_state_of_rfc_8011_and_every_such_state_is_used() -> None:
    assert set(STATES) == set(Stage)
    assert set(STATES.values()) == RFC_8011


@pytest.mark.parametrize(("old", "new"), list(product(Stage, Stage)))
def test_a_job_moves_only_where_the_order_of_commits_allows(old: Stage, new: Stage) -> None:
    ways = [verb for verb in VERBS.values() if old in verb.from_stages and verb.to is new]
    assert bool(ways) == ((str(old), str(new)) in ALLOWED)


@pytest.mark.parametrize(("verb", "stage"), list(product(VERBS, Stage)))
def test_a_verb_in_the_wrong_stage_is_a_conflict_that_names_job_state_and_next_move(
    verb: str, stage: Stage
) -> None:
    if stage in VERBS[verb].from_stages:
        assert check_move("j", stage, verb) is VERBS[verb]
        return
    with pytest.raises(Conflict) as caught:
        check_move("7f3akq2m", stage, verb)
    text = str(caught.value)
    assert "7f3akq2m" in text and STATES[stage] in text and VERBS[verb].event in text and ";" in text


def test_nothing_leaves_a_final_stage() -> None:
    assert not [verb for verb in VERBS.values() if verb.from_stages & FINAL]


def test_a_sheet_is_published_only_after_it_was_staged_and_declared() -> None:
    assert [name for name, verb in VERBS.items() if verb.to is Stage.PUBLISHED] == ["published"]
    assert VERBS["published"].from_stages == {Stage.PUBLISHING}
    assert VERBS["publishing"].from_stages == {Stage.STAGED}


def test_a_job_that_is_handed_over_can_be_neither_cancelled_nor_started_again() -> None:
    for stage in (Stage.PUBLISHING, Stage.PUBLISHED):
        for verb in ("cancel", "release", "start", "restage", "approve"):
            assert stage not in VERBS[verb].from_stages


def test_only_waiting_jobs_start() -> None:
    assert VERBS["start"].from_stages == set(WAITING)


def test_job_states_are_turned_into_stages_and_an_unknown_word_is_named() -> None:
    assert set(stages_of(["pending"])) == {Stage.CLAIMED, Stage.RETRY, Stage.PAUSED}
    assert stages_of(["completed", "aborted"]) == (Stage.DONE, Stage.FAILED)
    with pytest.raises(KeyError, match="printing"):
        stages_of(["pending", "printing"])
