"""What each verb of the ledger leaves in a job's row and in its history, to the last column."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from jobs_kit import Clock, a_spec, answered, local

from drydown import durable
from drydown.jobs.ledger import Arrival, Ledger, LedgerView, StagedSheet
from drydown.jobs.ledger_rows import iso
from drydown.jobs.states import Question, Stage

ONE = "7f3akq2m0001a"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    opened = Ledger.open(tmp_path / "ledger.db", kind_of=local, clock=Clock(1000.0))
    yield opened
    opened.close()


def enter(ledger: Ledger, **more: bool) -> None:
    """A claimed picture with a plan."""
    folder = ledger.path.parent / ".taken" / ONE
    ledger.add(a_spec(ONE, prints=ledger.path.parent, source=folder / "a.jpg"), folder, **more)


def stage(ledger: Ledger) -> None:
    """An attempt that made a sheet."""
    ledger.start(ONE)
    made(ledger)


def made(ledger: Ledger) -> None:
    """The attempt that was begun has made a sheet."""
    sheet = StagedSheet(prints=ledger.path.parent, stem="a", name=f"a__{ONE}.tif", blake3="ab" * 32)
    ledger.staged(ONE, sheet, answered(ONE, ledger.job(ONE).attempt, "done", ""))


def restore(ledger: Ledger, **more: float) -> None:
    ledger.restore(Arrival(job=ONE, hot_folder="final", taken=None, original="a.jpg"), Stage.DONE, **more)


# what comes in


def test_an_original_counts_as_a_copy_only_where_it_is_said_to_be_one(ledger: Ledger) -> None:
    enter(ledger)
    assert ledger.job(ONE).copied is False


def test_a_copied_original_is_known_as_one(ledger: Ledger) -> None:
    enter(ledger, copied=True)
    assert ledger.job(ONE).copied is True


def test_a_restored_job_keeps_the_time_at_which_it_was_claimed(ledger: Ledger) -> None:
    restore(ledger, created=500.0)
    assert (ledger.job(ONE).created, ledger.job(ONE).updated) == (500.0, 1000.0)


def test_a_restored_job_whose_claim_nobody_remembers_was_claimed_now(ledger: Ledger) -> None:
    restore(ledger)
    assert ledger.job(ONE).created == 1000.0


@pytest.mark.parametrize(("given", "shown"), [("", r"a\x1b.jpg"), ("as dropped.jpg", "as dropped.jpg")])
def test_a_picture_is_shown_by_the_name_it_was_dropped_under_and_else_by_its_own(
    ledger: Ledger, given: str, shown: str
) -> None:
    arrival = Arrival(job=ONE, hot_folder="final", taken=None, original="a\x1b.jpg", source_name=given)
    assert ledger.arrive(arrival).source_name == shown


def test_why_a_job_came_in_as_held_stands_in_its_history(ledger: Ledger) -> None:
    arrival = Arrival(job=ONE, hot_folder="final", taken=None, original="a.jpg")
    ledger.arrive(arrival, Stage.HELD, question=Question.PICTURE, reason="It changed.")
    assert [event.detail for event in ledger.events(ONE)] == ["It changed."]


def test_a_relocated_job_is_answered_as_it_lies_now(ledger: Ledger, tmp_path: Path) -> None:
    enter(ledger)
    row = ledger.relocated(ONE, tmp_path / "moved", prints=tmp_path / "sheets", spec={"recipe": "shoreline"})
    assert (row.taken, row.prints, row.spec_data) == (
        tmp_path / "moved",
        tmp_path / "sheets",
        {"recipe": "shoreline"},
    )


# the counters and the times


def put_off(ledger: Ledger) -> None:
    """A job that was tried and paused, and waits until the second 2000."""
    enter(ledger)
    ledger.start(ONE)
    ledger.interrupted(ONE)
    ledger.start(ONE)
    ledger.retry(ONE, not_before=2000.0, strikes=2, reason="crash")
    ledger.pause(ONE, not_before=2000.0, pauses=3, reason="no space")


def counts(ledger: Ledger) -> tuple[int, int, int, float]:
    row = ledger.job(ONE)
    return row.strikes, row.pauses, row.interrupted, row.not_before


def test_what_was_put_off_has_its_counters_and_its_time(ledger: Ledger) -> None:
    put_off(ledger)
    assert counts(ledger) == (2, 3, 1, 2000.0)


def test_a_released_job_has_every_counter_at_zero_and_may_start_at_once(ledger: Ledger) -> None:
    put_off(ledger)
    ledger.release(ONE)
    assert counts(ledger) == (0, 0, 0, 0.0)
    assert [row.id for row in ledger.ready(0.0)] == [ONE]


def test_an_attempt_that_begins_ends_the_waiting_and_no_count(ledger: Ledger) -> None:
    put_off(ledger)
    ledger.start(ONE)
    assert counts(ledger) == (2, 3, 1, 0.0)


@pytest.mark.parametrize(
    "end",
    [
        made,
        lambda ledger: ledger.retry(ONE, not_before=1.0, strikes=2, reason="crash"),
        lambda ledger: ledger.hold(ONE, Question.RECIPE, "mend the step"),
    ],
    ids=["a sheet", "a retry", "a question"],
)
def test_pauses_in_a_row_end_with_an_attempt_that_the_machine_did_not_spoil(
    ledger: Ledger, end: Callable[[Ledger], object]
) -> None:
    put_off(ledger)
    ledger.start(ONE)
    end(ledger)
    assert ledger.job(ONE).pauses == 0


@pytest.mark.parametrize("charged", [True, False])
def test_an_interruption_is_charged_unless_the_machine_was_to_blame(ledger: Ledger, charged: bool) -> None:
    put_off(ledger)
    ledger.start(ONE)
    ledger.interrupted(ONE, charged=charged)
    assert counts(ledger) == (2, 3, 2 if charged else 1, 0.0)


def test_a_job_that_is_to_be_rendered_again_may_start_at_once(ledger: Ledger) -> None:
    put_off(ledger)
    ledger.hold(ONE, Question.APPROVE, "")
    ledger.restage(ONE)
    assert ledger.job(ONE).not_before == 0.0


def test_an_approval_is_for_the_sheet_that_was_seen_and_not_for_one_rendered_later(ledger: Ledger) -> None:
    enter(ledger)
    stage(ledger)
    assert not ledger.job(ONE).approved
    ledger.hold(ONE, Question.APPROVE, "Is the crop right?")
    assert ledger.approve(ONE).approved
    ledger.restage(ONE)
    stage(ledger)
    assert not ledger.job(ONE).approved


# the history


def test_a_reason_stands_in_the_row_and_in_the_history(ledger: Ledger) -> None:
    enter(ledger)
    row = ledger.hold(ONE, Question.PICTURE, "Too small.")
    assert (row.reason, ledger.events(ONE)[-1].detail) == ("Too small.", "Too small.")


def test_a_note_is_written_into_the_history_and_changes_nothing_else(ledger: Ledger) -> None:
    enter(ledger)
    ledger.start(ONE)
    before = ledger.job(ONE)
    ledger.note(ONE, "removed", "3 files")
    event = ledger.events(ONE)[-1]
    assert (event.event, event.detail, event.stage, event.attempt) == ("removed", "3 files", Stage.RUNNING, 1)
    assert ledger.job(ONE) == before


def test_a_verification_is_found_again_under_its_stock(ledger: Ledger) -> None:
    ledger.verified("pearl", '{"passed": true}')
    (row,) = ledger.verifications("pearl")
    assert (row.stock, row.time, row.passed) == ("pearl", 1000.0, True)
    assert ledger.verifications("matte") == []


def test_a_remembered_word_can_be_replaced(ledger: Ledger) -> None:
    ledger.remember("boot", "first")
    ledger.remember("boot", "second")
    assert ledger.fact("boot") == "second"


# as it is shown


def test_a_job_is_shown_with_its_times_as_text_and_its_work_in_thousandths_of_a_second(
    ledger: Ledger,
) -> None:
    enter(ledger)
    ledger.start(ONE)
    result = answered(ONE, 1, "done", "").model_copy(update={"seconds": {"build": 0.1234, "write": 0.3333}})
    sheet = StagedSheet(prints=ledger.path.parent, stem="a", name=f"a__{ONE}.tif", blake3="ab" * 32)
    shown = ledger.staged(ONE, sheet, result).public()
    assert shown["seconds"] == 0.457
    for when in ("created", "updated"):
        assert datetime.fromisoformat(shown[when]).timestamp() == 1000.0
        assert ".000" in shown[when]


@pytest.mark.parametrize("text", ["", "{", "[1]"])
def test_a_job_whose_plan_cannot_be_read_is_shown_without_one(ledger: Ledger, text: str) -> None:
    enter(ledger)
    row = replace(ledger.job(ONE), spec_json=text, result_json=text)
    assert (row.spec_data, row.result_data, row.public()["recipe"]) == ({}, {}, "")


def test_a_time_that_is_not_known_is_shown_as_nothing() -> None:
    assert iso(0.0) == ""


# all or nothing


def nothing_happened_and_it_goes_on(ledger: Ledger) -> None:
    assert ledger.job(ONE).stage is Stage.CLAIMED and len(ledger.events(ONE)) == 1
    assert ledger.start(ONE) == 1


def test_a_value_that_the_tables_refuse_changes_nothing_and_the_ledger_goes_on(ledger: Ledger) -> None:
    enter(ledger)
    with pytest.raises(sqlite3.IntegrityError):
        ledger.pause(ONE, not_before=math.nan, pauses=1, reason="")  # SQLite keeps no such number
    nothing_happened_and_it_goes_on(ledger)


def test_an_error_of_sqlite_within_a_verb_changes_nothing_and_the_ledger_goes_on(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    enter(ledger)

    def full(step: str) -> None:
        if step == "commit":
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorname = "SQLITE_FULL"
            raise error

    with monkeypatch.context() as patch:
        patch.setattr(durable, "on_step", full)
        with pytest.raises(Exception, match="make room"):
            ledger.start(ONE)
    nothing_happened_and_it_goes_on(ledger)


def test_the_end_of_a_commit_is_told_when_everybody_can_see_it(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    enter(ledger)
    seen = []

    def look(step: str) -> None:
        with LedgerView.read(ledger.path) as view:
            seen.append((step, view.job(ONE).stage))

    monkeypatch.setattr(durable, "on_step", look)
    ledger.start(ONE)
    assert seen == [("commit", Stage.CLAIMED), ("commit.done", Stage.RUNNING)]


def test_half_of_a_path_is_no_path(ledger: Ledger, tmp_path: Path) -> None:
    enter(ledger)
    row = ledger.job(ONE)
    assert replace(row, prints=tmp_path, sheet_name="").sheet is None
    assert replace(row, prints=None, sheet_name="a.tif").sheet is None
    assert replace(row, taken=tmp_path, original="").original_path is None
    assert replace(row, taken=None, original="a.jpg").original_path is None
