"""The desk and what a child has left it: no answer and no folder of a child ends the daemon, keeps it waiting or fills its memory."""

from __future__ import annotations

import json
import os
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
from jobs_kit import World, an_attempt, answered
from test_removing import nested

from drydown.jobs.desk import Desk
from drydown.jobs.policy import STRIKES
from drydown.jobs.spec import AttemptResult
from drydown.jobs.states import Question, Stage

ONE = "job1aaaa"


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path / "studio")


@pytest.fixture
def desk(world: World) -> Desk:
    return world.open()


def begun(world: World, desk: Desk) -> tuple[AttemptResult, Path]:
    """What a good attempt of a new job has left."""
    row = world.arrive(desk, ONE)
    assert row.spec is not None
    return an_attempt(row.spec, desk.publisher.ledger.start(ONE), world.places.work)


def logged(world: World, event: str) -> list[dict[str, Any]]:
    lines = [json.loads(line) for line in world.places.log.read_text().splitlines()]
    return [line for line in lines if line["event"] == event]


def test_a_child_that_leaves_nested_folders_keeps_nobody_from_going_on(world: World, desk: Desk) -> None:
    result, folder = begun(world, desk)
    with nested(folder / "scratch", 1500, "n" * 20):
        assert desk.conclude(ONE, result, folder).stage is Stage.DONE
        assert not list(world.places.work.iterdir())


# an answer that the program stumbles over: here a number that is too long to be written down


def odd(result: AttemptResult) -> AttemptResult:
    return result.model_copy(update={"record": {"number": 10**5000}})


@pytest.mark.parametrize("outcome", ["done", "refused", "crashed"])
def test_an_answer_that_cannot_be_worked_on_is_a_crash_of_its_attempt(
    world: World, desk: Desk, outcome: str
) -> None:
    result, folder = begun(world, desk)
    row = desk.conclude(ONE, odd(result.model_copy(update={"outcome": outcome})), folder)
    assert (row.stage, row.strikes) == (Stage.RETRY, 1)
    assert "answered cannot be used (ValueError: " in row.reason
    assert "Traceback" in logged(world, "answer cannot be used")[0]["traceback"]
    assert not folder.exists()


def test_a_job_that_always_answers_so_is_aborted_and_its_original_kept(world: World, desk: Desk) -> None:
    def attempt(*of: Any) -> tuple[AttemptResult, Path]:
        result, folder = an_attempt(*of)
        return odd(result), folder

    world.attempt = attempt
    world.arrive(desk, ONE)
    world.run(desk)
    row = desk.publisher.ledger.job(ONE)
    assert (row.stage, row.strikes) == (Stage.FAILED, STRIKES)
    assert len(world.originals()) == 1


def test_an_answer_that_is_stumbled_over_once_it_is_staged_waits_for_a_person(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(*_: Any) -> None:
        raise TypeError("argument of type 'int' is not iterable")

    result, folder = begun(world, desk)
    with monkeypatch.context() as patch:
        patch.setattr("drydown.jobs.publish.repeat_of", stumble)
        row = desk.conclude(ONE, result, folder)
        assert (row.stage, row.question) == (Stage.HELD, Question.RECIPE)
        assert "TypeError" in row.reason
    desk.release(ONE)
    world.run(desk)
    assert desk.publisher.ledger.job(ONE).stage is Stage.DONE


# what the child said


def crashed(world: World, desk: Desk) -> tuple[AttemptResult, Path]:
    _, folder = begun(world, desk)
    return answered(ONE, 1, "crashed"), folder


def test_of_an_endless_log_only_the_end_is_read(world: World, desk: Desk) -> None:
    result, folder = crashed(world, desk)
    with (folder / "child.log").open("wb") as log:
        log.truncate(100 << 20)
        log.seek(0, os.SEEK_END)
        log.write(b"x" * 8000 + b"the last words\n")
    tracemalloc.start()
    try:
        desk.conclude(ONE, result, folder)
        assert tracemalloc.get_traced_memory()[1] < 10 << 20
    finally:
        tracemalloc.stop()
    assert logged(world, "the attempt said")[0]["child.log"].endswith("xthe last words")


def test_a_log_that_is_a_pipe_or_a_link_is_not_read(world: World, desk: Desk) -> None:
    result, folder = crashed(world, desk)
    (world.root / "secret").write_text("not the child's words")
    (folder / "child.log").symlink_to(world.root / "secret")
    os.mkfifo(folder / "traceback.txt")
    assert desk.conclude(ONE, result, folder).stage is Stage.RETRY
    assert not logged(world, "the attempt said")


# folders that cannot follow


def test_a_job_whose_folders_cannot_follow_is_told_of_once(world: World, desk: Desk) -> None:
    world.arrive(desk, ONE)
    refused = world.places.originals("refused")
    refused.parent.mkdir(parents=True, exist_ok=True)
    refused.write_text("a file where the folder should be")
    desk.fail(ONE, "No.")
    for _ in range(5):
        desk.catch_up()
    assert desk.behind == {ONE} and len(logged(world, "folders behind")) == 1
    refused.unlink()
    desk.catch_up()
    assert not desk.behind and len(list(refused.glob("*.jpg"))) == 1
