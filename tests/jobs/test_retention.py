"""Originals that a rule lets go: completed, old, unchanged, needed by nobody; and never another one, whatever happened to a job."""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import pytest
from jobs_kit import World

from drydown.errors import NotFound
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.originals import kept_path
from drydown.jobs.retention import DAY_S, REMOVED, old_originals, remove
from drydown.jobs.states import Question, Stage
from drydown.service.tidying import FIRST_AFTER_S, Tidying


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def pictures(root: Path) -> dict[str, bytes]:
    """Every file of the studio that is a person's picture, by path."""
    found = [path for path in root.rglob("*.jpg") if "prints" not in path.parts]
    return {str(path): path.read_bytes() for path in found}


def some_states(world: World, seed: int) -> dict[str, JobRow]:
    """Jobs in every stage that a job can rest in, some long ago and some not, with pictures that were changed or taken away since."""
    rng, desk = random.Random(seed), world.open()
    ledger = desk.publisher.ledger
    for number in range(16):
        job = f"job{seed % 97:02}aaa{number:03}"
        world.arrive(desk, job, f"IMG_{number}.jpg")
        match rng.choice(
            ("done", "done", "done", "failed", "held", "cancelled", "waits", "paused", "running")
        ):
            case "done":
                world.run(desk)
            case "failed":
                desk.fail(job, "No picture.")
            case "held":
                desk.hold(job, Question.PICTURE, "Look at it.")
            case "cancelled":
                desk.cancel(job)
            case "paused":
                desk.pause(job, "The disk is full.")
            case "running":
                ledger.start(job)
        world.clock.now += rng.uniform(0, 2) * DAY_S
        row = ledger.job(job)
        kept = kept_path(world.places, row, "done")
        if row.stage is Stage.DONE:
            match rng.randrange(6):
                case 0:
                    kept.write_bytes(b"edited since")
                case 1:
                    kept.unlink()
                case 2:
                    kept.unlink()
                    kept.symlink_to(world.root / "somewhere else.jpg")
    (world.root / "somewhere else.jpg").write_bytes(b"not ours")
    rows = {row.id: row for row in ledger.jobs()}
    ledger.close()
    return rows


@pytest.mark.parametrize("seed", range(6))
def test_only_old_unchanged_originals_of_completed_jobs_go_and_the_ledger_tells_of_each(
    world: World, seed: int
) -> None:
    rows = some_states(world, seed)
    before = pictures(world.root)
    desk = world.open()
    ledger = desk.publisher.ledger
    rows = {row.id: row for row in ledger.jobs()}
    limit = world.clock() - 12 * DAY_S
    allowed = {
        str(kept_path(world.places, row, "done"))
        for row in rows.values()
        if row.stage is Stage.DONE and row.updated < limit
    }
    for _ in range(2):  # the second round finds nothing new
        for old in old_originals(ledger, world.places, ledger.done_before(limit), limit):
            remove(ledger, desk.log, world.places, old)
    after = pictures(world.root)
    gone = set(before) - set(after)
    assert gone == {
        path for path in allowed if before.get(path, b"edited since") not in (b"edited since", b"not ours")
    }
    assert all(after[path] == before[path] for path in after)
    told = {row.id: [one for one in ledger.events(row.id) if one.event == REMOVED] for row in rows.values()}
    assert {str(kept_path(world.places, rows[job], "done")) for job, one in told.items() if one} == gone
    for job, events in told.items():
        for event in events:
            detail = json.loads(event.detail)
            assert world.root / detail["path"] == kept_path(world.places, rows[job], "done")
            assert detail["blake3"] == rows[job].result_data["source_blake3"] and len(events) == 1
    assert {job: row.stage for job, row in rows.items()} == {row.id: row.stage for row in ledger.jobs()}
    ledger.close()


def test_a_picture_that_a_waiting_job_was_planned_with_stays(world: World) -> None:
    desk = world.open()
    ledger = desk.publisher.ledger
    world.arrive(desk, "job1aaaaa")
    world.run(desk)
    kept = kept_path(world.places, ledger.job("job1aaaaa"), "done")
    world.arrive(desk, "job2aaaaa")
    ledger.plan("job2aaaaa", world.spec(kept, "job2aaaaa"))
    world.clock.now += 400 * DAY_S
    rows = ledger.done_before(world.clock())
    assert old_originals(ledger, world.places, rows, world.clock()) == []
    desk.cancel("job2aaaaa")
    assert [old.path for old in old_originals(ledger, world.places, rows, world.clock())] == [kept]
    ledger.close()


def test_a_crash_between_the_ledgers_word_and_the_file_is_made_good_without_a_second_word(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = world.open()
    ledger = desk.publisher.ledger
    world.arrive(desk, "job1aaaaa")
    world.run(desk)
    world.clock.now += 2 * DAY_S
    (old,) = old_originals(ledger, world.places, ledger.jobs(), world.clock())

    def crash(path: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("drydown.durable.unlink_durable", crash)
    with pytest.raises(OSError, match="Input"):
        remove(ledger, desk.log, world.places, old)
    monkeypatch.undo()
    assert old.path.exists()
    assert remove(ledger, desk.log, world.places, old) == ""
    assert not old.path.exists()
    assert [event.event for event in ledger.events("job1aaaaa")].count(REMOVED) == 1
    assert world.places.log.read_text().count(f'"event": "{REMOVED}"') == 1
    assert remove(ledger, desk.log, world.places, old) == "it is gone"
    ledger.close()


class Time:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


def test_the_rule_works_once_a_day_a_little_at_a_time_and_not_at_all_where_there_is_none(
    world: World,
) -> None:
    desk = world.open()
    ledger = desk.publisher.ledger
    for number in range(5):
        world.arrive(desk, f"job{number}aaaaa", f"IMG_{number}.jpg")
    world.run(desk)
    world.clock.now += 31 * DAY_S
    days: list[int | None] = [None]
    elapsed = Time()
    tidying = Tidying(
        world.places,
        ledger,
        desk.log,
        lambda: days[0],
        clock=world.clock,
        monotonic=elapsed,
        steady=world.clock,
    )
    elapsed.s = 2 * DAY_S
    tidying.turn()
    assert not tidying.is_busy and len(world.originals()) == 5
    with pytest.raises(NotFound, match="originals_days"):
        tidying.begin()
    days[0] = 30
    left = []
    while True:
        tidying.turn()
        left.append(len(world.originals()))
        if not tidying.is_busy:
            break
    assert left[-1] == 0 and tidying.removed == 5
    assert max(a - b for a, b in itertools.pairwise(left)) == 1  # one a turn
    world.arrive(desk, "job6aaaaa")
    world.run(desk)
    world.clock.now += 31 * DAY_S
    elapsed.s += DAY_S / 2
    tidying.turn()
    assert not tidying.is_busy
    elapsed.s += DAY_S / 2 + FIRST_AFTER_S
    tidying.turn()
    assert tidying.is_busy
    ledger.close()


def test_nothing_goes_by_a_clock_that_was_set_since_the_start(world: World) -> None:
    """A machine without a clock of its own starts months behind, prints, and is set right a minute later."""
    desk = world.open()
    ledger, elapsed, steady = desk.publisher.ledger, Time(), Time()
    world.arrive(desk, "job1aaaaa")
    world.run(desk)
    tidying = Tidying(
        world.places, ledger, desk.log, lambda: 30, clock=world.clock, monotonic=elapsed, steady=steady
    )
    world.clock.now += 90 * DAY_S
    elapsed.s += 2 * DAY_S
    tidying.turn()
    assert not tidying.is_busy and "the clock was set" in world.places.log.read_text()
    ledger.close()


def test_a_job_that_was_claimed_behind_a_young_one_is_young_whatever_its_date_says(world: World) -> None:
    desk = world.open()
    ledger = desk.publisher.ledger
    for number in range(3):  # the second while the clock was 90 days slow
        world.clock.now += (-90, 90)[number - 1] * DAY_S if number else 0
        world.arrive(desk, f"job{number}aaaaa", f"IMG_{number}.jpg")
        world.run(desk)
    before = world.clock.now - 30 * DAY_S
    assert ledger.done_before(before) == []
    assert [row.id for row in ledger.done_before(world.clock.now + 31 * DAY_S)] == [
        f"job{number}aaaaa" for number in range(3)
    ]
    ledger.close()
