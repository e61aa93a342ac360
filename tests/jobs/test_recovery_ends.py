"""Recovery at the rare ends: a share away, an original gone, a left-over that somebody may still need, a disk that damages what was just written."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import pytest
from jobs_kit import World, is_open, local

from drydown.errors import MachineFault
from drydown.jobs import names, recovery
from drydown.jobs.collected import notice_collected
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Arrival, Ledger, LedgerDamaged, LedgerFailed
from drydown.jobs.publish import Publisher
from drydown.jobs.rebuild import Adoptable
from drydown.jobs.recovery import Recovered, recover
from drydown.jobs.states import Question, Stage

ONE = "job1aaaa"


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path / "studio")


def waiting(world: World) -> None:
    """A start at which ONE came in, and the end right after."""
    desk = world.open()
    world.arrive(desk, ONE, "a.jpg")
    desk.publisher.ledger.close()


def staged(world: World) -> None:
    """A start at which ONE was staged, and the end right after that commit."""
    desk = world.open()
    row = world.arrive(desk, ONE, "a.jpg")
    assert row.spec is not None
    result, folder = world.attempt(row.spec, desk.publisher.ledger.start(ONE), world.places.work)
    desk.publisher.stage(ONE, result, folder)
    desk.publisher.ledger.close()


def printed(world: World) -> Path:
    """A whole run with ONE; its published sheet."""
    desk = world.open()
    world.arrive(desk, ONE, "a.jpg")
    world.run(desk)
    desk.publisher.ledger.close()
    return world.prints / f"picture__{ONE}.tif"


def again(
    world: World, *, adoptables: Iterable[Adoptable] | None = None, prints: tuple[Path, ...] | None = None
) -> tuple[Desk, Recovered]:
    """A start with other folders than the studio's own; closed at once, so what is asked afterwards is asked of another."""
    desk, summary = recover(
        world.places,
        world.adoptables() if adoptables is None else adoptables,
        prints=(world.prints,) if prints is None else prints,
        boot=world.boot,
        kind_of=local,
        log=world.log,
        clock=world.clock,
    )
    return desk, summary


def ended(desk: Desk, job: str = ONE) -> tuple[Stage, Question, str]:
    """The job's stage, question and reason; the ledger is closed."""
    row = desk.publisher.ledger.job(job)
    desk.publisher.ledger.close()
    return row.stage, row.question, row.reason


# the start itself


def test_the_first_start_of_a_studio_recovers_nothing_and_its_state_is_for_its_owner_only(
    world: World,
) -> None:
    desk, summary = again(world)
    desk.publisher.ledger.close()
    assert summary == Recovered()
    assert world.places.state.stat().st_mode & 0o077 == 0


def test_what_was_recovered_is_told_and_nothing_else(world: World) -> None:
    waiting(world)
    desk = world.open()
    desk.publisher.ledger.start(ONE)
    desk.publisher.ledger.close()
    desk, summary = again(world)
    desk.publisher.ledger.close()
    assert summary == Recovered(again=1)


def test_a_recovery_that_fails_lets_go_of_the_ledger(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    world.open().publisher.ledger.close()

    def fail(_: object) -> None:
        raise OSError("the disk says no")

    monkeypatch.setattr(recovery, "adopt", fail)
    with pytest.raises(OSError, match="the disk says no") as caught:
        world.open()
    assert not is_open(world.places.ledger), caught.value


def test_a_ledger_that_is_damaged_right_after_it_was_built_anew_is_not_built_for_ever(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.open().publisher.ledger.close()

    def damaged(*_: object, **__: object) -> Ledger:
        raise LedgerDamaged("the ledger is damaged")

    monkeypatch.setattr(Ledger, "open", damaged)
    with pytest.raises(LedgerFailed, match="look after the disk"):
        world.open()


def test_damage_is_told_in_the_log_and_two_within_one_tick_of_the_clock_keep_nobody_from_starting(
    world: World,
) -> None:
    waiting(world)
    for _ in range(2):
        world.places.ledger.write_bytes(b"I am no ledger.\n" * 500)
        desk, summary = again(world)
        assert summary == Recovered(rebuilt=1, adopted=1, aside=summary.aside) and summary.aside
        desk.publisher.ledger.close()
    lines = [line for line in world.places.log.read_text().splitlines() if "ledger damaged" in line]
    assert len(lines) == 2 and all("ledger.db" in line for line in lines)


# sheets that came back


def collected(world: World) -> tuple[Path, bytes]:
    """ONE was printed, and its sheet was seen to be taken away."""
    sheet = printed(world)
    content = sheet.read_bytes()
    sheet.unlink()
    desk = world.open()
    assert notice_collected(desk.publisher.ledger)
    desk.publisher.ledger.close()
    return sheet, content


def test_a_sheet_that_is_there_again_in_the_same_run_of_the_machine_is_somebodys_wish(world: World) -> None:
    sheet, content = collected(world)
    sheet.write_bytes(content)
    desk, summary = again(world)
    desk.publisher.ledger.close()
    assert summary == Recovered() and sheet.exists()


def test_where_runs_of_the_machine_cannot_be_told_apart_each_start_may_have_been_one(world: World) -> None:
    world.boot = ""
    sheet, content = collected(world)
    sheet.write_bytes(content)
    desk, summary = again(world)
    desk.publisher.ledger.close()
    assert summary == Recovered(returned=1) and not sheet.exists()


# held jobs


def held_for_approval(world: World) -> Path:
    """ONE waits for approval; the reason beside."""
    world.approve = True
    staged(world)
    world.open().publisher.ledger.close()
    return world.places.originals("held") / f"a__{ONE}.reason.txt"


def test_the_reason_of_a_held_job_is_there_again_after_the_start(world: World) -> None:
    waiting(world)
    desk = world.open()
    desk.hold(ONE, Question.PICTURE, "Too small.")
    desk.publisher.ledger.close()
    reason = world.places.originals("held") / f"a__{ONE}.reason.txt"
    reason.unlink()
    for _ in range(2):
        desk, summary = again(world)
        assert ended(desk) == (Stage.HELD, Question.PICTURE, "Too small.")
        assert summary == Recovered() and "Too small." in reason.read_text()


def test_a_sheet_that_waits_for_approval_and_is_gone_is_told_to_be_made_again(world: World) -> None:
    reason = held_for_approval(world)
    (world.prints / names.stage_name(ONE)).unlink()
    desk, summary = again(world)
    assert ended(desk)[0] is Stage.CLAIMED
    assert summary == Recovered(again=1) and not reason.exists()


def test_a_job_that_waits_for_approval_stays_held_while_its_prints_folder_is_offline(world: World) -> None:
    held_for_approval(world)
    away = world.root.parent / "share"
    world.prints.rename(away)
    desk, summary = again(world)
    assert (summary, desk.behind) == (Recovered(offline=1), {ONE})
    assert ended(desk)[:2] == (Stage.HELD, Question.APPROVE)


def test_a_ledger_that_fails_while_a_held_job_is_looked_at_ends_the_start(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    held_for_approval(world)

    def fail(*_: object, **__: object) -> bool:
        raise LedgerFailed("the ledger failed")

    monkeypatch.setattr(Publisher, "staged_is_whole", fail)
    with pytest.raises(MachineFault, match="the ledger failed"):
        world.open()


# originals that are not where they should be


def found_empty(world: World) -> list[Adoptable]:
    """The claimed folder of ONE is there, its picture is not."""
    (world.taken / ONE / "a.jpg").unlink()
    return [Adoptable(job=ONE, path=world.taken / ONE, hot_folder="final")]


def test_a_job_whose_claimed_folder_is_empty_is_held_with_what_can_be_done(world: World) -> None:
    waiting(world)
    desk, summary = again(world, adoptables=found_empty(world))
    stage, question, reason = ended(desk)
    assert (stage, question) == (Stage.HELD, Question.ORIGINAL) and "Drop it again" in reason
    assert summary == Recovered(held=1)


def test_an_absent_claimed_folder_proves_nothing(world: World) -> None:
    waiting(world)
    (world.taken / ONE).rename(world.root.parent / "away")
    desk, summary = again(world, adoptables=())
    assert ended(desk)[0] is Stage.CLAIMED and summary == Recovered()


def test_an_original_that_is_seen_in_the_queue_by_nobody_but_lies_there_is_fine(world: World) -> None:
    waiting(world)
    desk, summary = again(world, adoptables=())
    assert ended(desk)[0] is Stage.CLAIMED and summary == Recovered()


def test_a_picture_that_was_never_claimed_is_not_missed(world: World) -> None:
    desk = world.open()
    desk.publisher.ledger.arrive(Arrival(job=ONE, hot_folder="final", taken=None, original="a.jpg"))
    desk.publisher.ledger.close()
    desk, summary = again(world)
    assert ended(desk)[0] is Stage.CLAIMED and summary == Recovered()


@pytest.mark.parametrize("seen", [True, False], ids=["folder there", "folder away"])
def test_the_persons_own_file_is_no_sign_that_its_copy_was_printed(world: World, seen: bool) -> None:
    """The picture of a copy that is put away lies where the person left it: that it does says nothing."""
    desk = world.open()
    folder = world.drop_and_claim(ONE, "a.jpg")
    own = world.root.parent / "a.jpg"
    own.write_bytes(b"the person's own")
    arrival = Arrival(job=ONE, hot_folder="final", taken=folder, original="a.jpg", dropped=own, copied=True)
    desk.publisher.ledger.arrive(arrival)
    desk.publisher.ledger.close()
    adoptables = found_empty(world)
    desk, summary = again(world, adoptables=adoptables if seen else ())
    stage, _, reason = ended(desk)
    assert own.exists()
    if seen:
        assert (stage, summary) == (Stage.HELD, Recovered(held=1)) and "Drop it again" in reason
    else:
        assert (stage, summary) == (Stage.CLAIMED, Recovered())


def test_a_staged_sheet_that_is_gone_is_not_made_again_from_a_picture_that_was_put_away(world: World) -> None:
    staged(world)
    (world.prints / names.stage_name(ONE)).unlink()
    done = world.places.originals("done")
    done.mkdir(parents=True)
    (world.taken / ONE / "a.jpg").rename(done / f"a__{ONE}.jpg")
    desk, summary = again(world, adoptables=())
    stage, question, reason = ended(desk)
    assert (stage, question) == (Stage.HELD, Question.ORIGINAL) and "originals/done" in reason
    assert (summary.again, summary.held) == (1, 1)


# left-overs


def test_left_overs_are_removed_where_a_job_has_its_sheet_though_no_hot_folder_publishes_there_any_more(
    world: World,
) -> None:
    held_for_approval(world)
    left = world.prints / names.stage_name("gone1234")
    left.write_bytes(b"x")
    desk, summary = again(world, prints=())
    desk.publisher.ledger.close()
    assert summary == Recovered(removed=1) and not left.exists()
    assert (world.prints / names.stage_name(ONE)).exists()


def test_the_reason_of_a_job_that_is_not_held_any_more_is_removed(world: World) -> None:
    waiting(world)
    reason = world.places.originals("held") / f"a__{ONE}.reason.txt"
    reason.parent.mkdir(parents=True)
    reason.write_text("Too small.")
    desk, summary = again(world)
    desk.publisher.ledger.close()
    assert summary == Recovered(removed=1) and not reason.exists()


@pytest.mark.parametrize("case", ["published", "taken away", "missing", "cancelled"])
def test_the_staged_sheet_of_a_finished_job_is_kept_only_where_no_other_is_known_of(
    world: World, case: str
) -> None:
    if case == "cancelled":
        waiting(world)
        desk = world.open()
        desk.cancel(ONE)
        desk.publisher.ledger.close()
    elif case == "taken away":
        collected(world)
    else:
        sheet = printed(world)
        if case == "missing":
            sheet.unlink()
    left = world.prints / names.stage_name(ONE)
    left.parent.mkdir(parents=True, exist_ok=True)
    left.write_bytes(b"sheet of " + ONE.encode())
    desk, summary = again(world)
    desk.publisher.ledger.close()
    told = [
        line for line in world.places.log.read_text().splitlines() if "staged sheet of a finished" in line
    ]
    assert left.exists() == (case == "missing")
    assert summary == (Recovered() if case == "missing" else Recovered(removed=1))
    said = [(line["job"], line["event"]) for line in map(json.loads, told)]
    assert said == ([(ONE, "staged sheet of a finished job")] if case == "missing" else [])
    assert all("is kept" in line for line in told)


def test_a_file_among_the_work_folders_keeps_nobody_from_starting(world: World) -> None:
    world.open().publisher.ledger.close()
    world.places.work.mkdir(parents=True, exist_ok=True)
    (world.places.work / "gone1234").write_text("no folder")
    desk, _ = again(world)
    desk.publisher.ledger.close()
