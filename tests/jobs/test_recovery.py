"""Recovery: after an end at any instant every picture is printed exactly once, or held, and none is lost."""

from __future__ import annotations

import errno
import itertools
import os
import random
import shutil
from collections.abc import Iterator
from dataclasses import astuple
from functools import partial
from pathlib import Path

import pytest
from crash_kit import in_a_process_killed_at
from jobs_kit import Printer, World, all_final_or_held

from drydown import durable
from drydown.intake import record as intake_record
from drydown.jobs import names
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Ledger
from drydown.jobs.recovery import Recovered
from drydown.jobs.states import Question, Stage

ONE, TWO, THREE = "job1aaaa", "job2bbbb", "job3cccc"


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path / "studio")


@pytest.fixture
def listener() -> Iterator[None]:
    before = durable.on_step
    yield
    durable.on_step = before


def printer_of(world: World) -> Printer:
    return Printer(world.prints, world.root.parent / "book")


def once(world: World) -> None:
    """One whole run of the program: start, work, end."""
    desk = world.open()
    world.run(desk)
    desk.publisher.ledger.close()


def check_once_each(world: World, jobs: list[str], *, at_most_held: int = 0) -> None:
    """The one promise: each picture printed exactly once or held, each original there exactly once."""
    desk = world.open()
    ledger = desk.publisher.ledger
    try:
        printed = printer_of(world).printed()
        held = [row.id for row in ledger.jobs() if row.stage is Stage.HELD]
        assert len(held) <= at_most_held, f"held: {held}"
        for job in jobs:
            count = printed[b"sheet of " + job.encode()]
            assert count == 1 or (count == 0 and job in held), f"{job} printed {count} times"
        assert sorted(path.read_bytes() for path in world.originals()) == sorted(job.encode() for job in jobs)
        assert all_final_or_held(ledger)
        assert not [path for path in world.root.rglob("*") if path.name.startswith(".stage-") and not held]
        assert not [path for path in world.root.rglob("*") if durable.is_unfinished(path.name)]
    finally:
        ledger.close()


def claim_three(world: World) -> list[str]:
    for job, name in ((ONE, "a.jpg"), (TWO, "b.jpg"), (THREE, "b2.jpg")):
        world.drop_and_claim(job, name)
    (world.taken / THREE / "b2.toml").write_text("strength = 0.3\n")
    return [ONE, TWO, THREE]


def test_the_names_in_a_claimed_folder_are_those_that_intake_uses() -> None:
    assert names.CLAIM_NOTE == intake_record.NOTE
    assert names.STAGED_MARKER == intake_record.STAGED


def test_ends_during_the_work_and_again_during_recovery_print_each_picture_exactly_once(
    tmp_path: Path,
) -> None:
    choice = random.Random(11)
    for number in range(40):
        world = World(tmp_path / str(number) / "studio")
        jobs = claim_three(world)
        printer = printer_of(world)
        for _ in range(4):
            step = choice.randrange(90)
            if not in_a_process_killed_at(step, partial(once, world), look=printer.look):
                break
        else:
            in_a_process_killed_at(-1, partial(once, world), look=printer.look)
        printer.look()
        check_once_each(world, jobs)
        shutil.rmtree(tmp_path / str(number))


def check_refused(world: World) -> None:
    refused = world.places.originals("refused")
    assert [path.read_bytes() for path in world.originals()] == [ONE.encode()]
    assert (refused / f"a__{ONE}.jpg").exists()
    assert "Not a picture." in (refused / f"a__{ONE}.reason.txt").read_text()
    assert not list(world.taken.iterdir())


@pytest.mark.parametrize("done_first", [False, True], ids=["fails", "does it, then fails"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO], ids=["full disk", "sick disk"])
def test_a_failing_disk_at_every_single_step_loses_and_doubles_nothing(
    tmp_path: Path, code: int, done_first: bool, listener: None
) -> None:
    for step in itertools.count():
        world = World(tmp_path / str(step) / "studio")
        world.drop_and_claim(ONE, "a.jpg")
        printer = printer_of(world)
        hit = fail_at(step, code, done_first, printer)
        for _ in range(3):
            try:
                once(world)
                break
            except Exception as error:
                assert hit[0] >= 0, error
        durable.on_step = partial(_look, printer)
        once(world)
        printer.look()
        durable.on_step = lambda _: None
        check_once_each(world, [ONE])
        shutil.rmtree(tmp_path / str(step))
        if hit[0] < 0:
            break
    assert step > 40


def _look(printer: Printer, _: str) -> None:
    printer.look()


def fail_at(step: int, code: int, done_first: bool, printer: Printer) -> list[int]:
    """At the step-th step (or just after it) the disk says no, once. Answers a list whose number is -1 until that has happened."""
    hit, count = [-1], itertools.count()

    def listen(name: str) -> None:
        printer.look()
        if name.endswith(".done") == done_first and next(count) == step:
            hit[0] = step
            raise OSError(code, "the disk says no")

    durable.on_step = listen
    return hit


def until(world: World, desk: Desk, stage: Stage) -> None:
    """Bring job ONE to a stage, as an end right after that commit would leave it."""
    ledger = desk.publisher.ledger
    row = world.arrive(desk, ONE, "a.jpg")
    assert row.spec is not None
    number = ledger.start(ONE)
    if stage is Stage.RUNNING:
        return
    result, folder = world.attempt(row.spec, number, world.places.work)
    desk.publisher.stage(ONE, result, folder)
    if stage is Stage.PUBLISHING:
        ledger.publishing(ONE, world.boot)


def ended(world: World, stage: Stage) -> None:
    desk = world.open()
    until(world, desk, stage)
    desk.publisher.ledger.close()


def again(world: World) -> tuple[Ledger, Recovered]:
    desk, summary = world.recover()
    return desk.publisher.ledger, summary


def test_a_clean_end_leaves_nothing_to_recover(world: World) -> None:
    once(world)
    ledger, summary = again(world)
    assert summary == Recovered() and not any(astuple(summary))
    ledger.close()


def test_a_claimed_folder_that_the_ledger_does_not_know_is_adopted(world: World) -> None:
    world.open().publisher.ledger.close()
    world.drop_and_claim(ONE)
    ledger, summary = again(world)
    assert (summary.adopted, ledger.job(ONE).stage) == (1, Stage.CLAIMED)
    ledger.close()


def test_an_attempt_that_was_cut_short_is_made_again_and_counted_apart(world: World) -> None:
    ended(world, Stage.RUNNING)
    (world.places.work / ONE / "1").mkdir(parents=True)
    ledger, summary = again(world)
    row = ledger.job(ONE)
    assert (row.stage, row.interrupted, row.strikes, row.attempt) == (Stage.CLAIMED, 1, 0, 1)
    assert summary.again == 1
    assert not (world.places.work / ONE).exists()
    ledger.close()


def test_a_job_that_meets_six_ends_of_the_program_is_held_for_a_person(world: World) -> None:
    ended(world, Stage.RUNNING)
    for _ in range(5):
        ledger, _ = again(world)
        ledger.start(ONE)
        ledger.close()
    ledger, summary = again(world)
    row = ledger.job(ONE)
    assert (row.stage, row.question, summary.held) == (Stage.HELD, Question.INTERRUPTED, 1)
    assert (world.places.originals("held") / f"a__{ONE}.reason.txt").exists()
    ledger.close()


def test_a_staged_sheet_that_is_whole_is_published_without_rendering(world: World) -> None:
    ended(world, Stage.STAGED)
    ledger, summary = again(world)
    row = ledger.job(ONE)
    assert (row.stage, row.attempt, summary.resumed) == (Stage.DONE, 1, 1)
    assert row.sheet is not None and row.sheet.read_bytes() == b"sheet of " + ONE.encode()
    ledger.close()


def test_a_staged_sheet_that_is_not_whole_is_rendered_again(world: World) -> None:
    ended(world, Stage.STAGED)
    (world.prints / names.stage_name(ONE)).write_bytes(b"sheet of jo")
    ledger, summary = again(world)
    assert (ledger.job(ONE).stage, summary.again) == (Stage.CLAIMED, 1)
    assert not (world.taken / ONE / names.STAGED_MARKER).exists()
    ledger.close()


def test_a_staged_sheet_that_is_gone_may_have_been_handed_over_by_a_later_ledger(world: World) -> None:
    ended(world, Stage.STAGED)
    (world.prints / names.stage_name(ONE)).unlink()
    ledger, summary = again(world)
    row = ledger.job(ONE)
    assert (row.stage, row.question, summary.held) == (Stage.HELD, Question.PRINTED, 1)
    ledger.close()


def test_a_sheet_whose_rename_did_not_happen_is_published_in_the_same_run_of_the_machine(
    world: World,
) -> None:
    ended(world, Stage.PUBLISHING)
    ledger, _ = again(world)
    assert ledger.job(ONE).stage is Stage.DONE
    ledger.close()


@pytest.mark.parametrize(
    "boots", [("boot-1", "boot-2"), ("", ""), ("boot-1", "")], ids=["restart", "untold", "untold now"]
)
def test_after_a_power_cut_a_sheet_that_may_have_been_seen_is_held_and_never_published_unasked(
    tmp_path: Path, boots: tuple[str, str]
) -> None:
    world = World(tmp_path / "studio", boot=boots[0])
    ended(world, Stage.PUBLISHING)
    world.boot = boots[1]
    ledger, summary = again(world)
    row = ledger.job(ONE)
    assert (row.stage, row.question, summary.held) == (Stage.HELD, Question.PRINTED, 1)
    assert row.original_path is not None and row.original_path.exists()
    assert (world.prints / names.stage_name(ONE)).exists()
    assert "printed?" in (world.places.originals("held") / f"a__{ONE}.reason.txt").read_text()
    ledger.close()


def test_a_person_who_knows_that_it_was_not_printed_gets_the_very_sheet_that_was_staged(world: World) -> None:
    ended(world, Stage.PUBLISHING)
    world.boot = "boot-2"
    desk = world.open()
    assert desk.approve(ONE).stage is Stage.DONE
    assert desk.publisher.ledger.job(ONE).attempt == 1
    assert [path.name for path in world.prints.glob("*.tif")] == [f"picture__{ONE}.tif"]
    desk.publisher.ledger.close()


def test_a_sheet_that_was_renamed_and_taken_away_is_never_made_again(world: World) -> None:
    ended(world, Stage.PUBLISHING)
    (world.prints / names.stage_name(ONE)).unlink()  # renamed, then taken by the printer, then the end
    world.boot = "boot-2"
    ledger, _ = again(world)
    assert (ledger.job(ONE).stage, ledger.job(ONE).attempt) == (Stage.DONE, 1)
    ledger.close()


def test_nothing_is_concluded_from_a_prints_folder_that_is_only_an_empty_mount_point(world: World) -> None:
    ended(world, Stage.PUBLISHING)
    away = world.root.parent / "share"
    world.prints.rename(away)
    world.prints.mkdir()
    ledger, _ = again(world)
    assert (ledger.job(ONE).stage, ledger.job(ONE).question) == (Stage.HELD, Question.PRINTED)
    ledger.close()


def test_a_staged_job_waits_while_its_prints_folder_is_offline_and_goes_on_when_it_is_back(
    world: World,
) -> None:
    ended(world, Stage.STAGED)
    away = world.root.parent / "share"
    world.prints.rename(away)
    world.prints.mkdir()
    desk, summary = world.recover()
    assert (summary.offline, desk.behind) == (1, {ONE})
    assert desk.publisher.ledger.job(ONE).stage is Stage.STAGED
    world.prints.rmdir()
    away.rename(world.prints)
    desk.catch_up()
    assert (desk.publisher.ledger.job(ONE).stage, desk.behind) == (Stage.DONE, set())
    desk.publisher.ledger.close()


def test_a_sheet_that_comes_back_after_a_power_cut_is_set_aside_before_anything_else(world: World) -> None:
    from drydown.jobs.collected import notice_collected

    world.drop_and_claim(ONE)
    once(world)
    sheet = world.prints / f"picture__{ONE}.tif"
    content = sheet.read_bytes()
    desk = world.open()
    assert notice_collected(desk.publisher.ledger) == []
    sheet.unlink()
    assert [row.id for row in notice_collected(desk.publisher.ledger)] == [ONE]
    desk.publisher.ledger.close()
    sheet.write_bytes(content)  # the machine's restart undid the printer's removal
    world.boot = "boot-2"
    ledger, summary = again(world)
    assert summary.returned == 1
    assert not sheet.exists() and (world.prints / names.AGAIN / sheet.name).read_bytes() == content
    ledger.close()


def test_a_sheet_that_came_back_on_a_share_is_set_aside_once_the_share_is_there(world: World) -> None:
    from drydown.jobs.collected import notice_collected

    world.drop_and_claim(ONE)
    once(world)
    sheet = world.prints / f"picture__{ONE}.tif"
    content = sheet.read_bytes()
    sheet.unlink()
    desk = world.open()
    assert len(notice_collected(desk.publisher.ledger)) == 1
    desk.publisher.ledger.close()
    sheet.write_bytes(content)
    away = world.prints.rename(world.root / "away")
    world.prints.mkdir()
    world.boot = "boot-2"
    ledger, summary = again(world)
    assert summary.returned == 0
    ledger.close()
    world.prints.rmdir()
    away.rename(world.prints)
    ledger, summary = again(world)  # the same run of the machine
    assert summary.returned == 1 and not sheet.exists()
    ledger.close()


def test_a_prints_folder_that_cannot_be_listed_stops_no_start(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.drop_and_claim(ONE)
    real = Path.iterdir

    def sick(path: Path) -> Iterator[Path]:
        if path == world.prints:
            raise OSError(errno.EHOSTDOWN, os.strerror(errno.EHOSTDOWN), str(path))
        return real(path)

    monkeypatch.setattr(Path, "iterdir", sick)
    desk = world.open()
    desk.publisher.ledger.close()
    assert "folder not looked into" in world.places.log.read_text()


def test_what_a_trial_of_the_sandbox_has_left_goes_at_the_next_start(world: World) -> None:
    once(world)
    left = world.places.work / "trial-abc123" / "none"
    left.mkdir(parents=True)
    once(world)
    assert not left.parent.exists()


def test_a_finished_job_whose_original_could_not_follow_is_put_away_at_the_next_start(world: World) -> None:
    desk = world.open()
    world.arrive(desk, ONE, "a.jpg")
    desk.publisher.ledger.fail(
        ONE, "Not a picture."
    )  # the ledger's word alone, as an end right after it leaves it
    desk.publisher.ledger.close()
    ledger, summary = again(world)
    assert summary.put_away == 1
    ledger.close()
    check_refused(world)


def test_only_left_overs_of_our_own_making_are_removed(world: World) -> None:
    once(world)
    strangers = [
        world.prints / ".stage-.part",
        world.prints / ".stage-UPPER123.part",
        world.prints / "sheet.part",
        world.places.work / "notes",
        world.places.originals("held") / "my notes.txt",
        world.places.state / "ledger.db.bak",
    ]
    ours = [
        world.prints / names.stage_name("gone1234"),
        world.prints / f"{durable.UNFINISHED_PREFIX}0011aabb{durable.UNFINISHED_SUFFIX}",
        world.places.originals("held") / "a__gone1234.reason.txt",
        world.places.profiles / f"{durable.UNFINISHED_PREFIX}2233ccdd{durable.UNFINISHED_SUFFIX}",
    ]
    for path in (*strangers, *ours):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    (world.places.work / "gone1234" / "1").mkdir(parents=True)
    ledger, summary = again(world)
    assert all(path.exists() for path in strangers)
    assert not any(path.exists() for path in ours) and not (world.places.work / "gone1234").exists()
    assert summary.removed == 5
    ledger.close()


def test_the_stage_file_of_a_held_job_is_not_removed(world: World) -> None:
    world.approve = True
    ended(world, Stage.STAGED)
    for _ in range(2):
        ledger, _ = again(world)
        assert (ledger.job(ONE).stage, ledger.job(ONE).question) == (Stage.HELD, Question.APPROVE)
        assert (world.prints / names.stage_name(ONE)).exists()
        ledger.close()


def test_a_held_job_whose_staged_sheet_is_gone_is_rendered_and_held_again(world: World) -> None:
    world.approve = True
    ended(world, Stage.STAGED)
    again(world)[0].close()
    (world.prints / names.stage_name(ONE)).unlink()
    desk = world.open()
    assert desk.publisher.ledger.job(ONE).stage is Stage.CLAIMED
    world.run(desk)
    row = desk.publisher.ledger.job(ONE)
    assert (row.stage, row.question, row.attempt) == (Stage.HELD, Question.APPROVE, 2)
    desk.publisher.ledger.close()


def test_a_studio_that_was_moved_goes_on_where_it_lies_now(world: World, tmp_path: Path) -> None:
    ended(world, Stage.RUNNING)
    world.root.rename(tmp_path / "elsewhere")
    moved = World(tmp_path / "elsewhere")
    desk = moved.open()
    row = desk.publisher.ledger.job(ONE)
    assert row.spec is not None
    assert (row.taken, row.spec.source) == (moved.taken / ONE, moved.taken / ONE / "a.jpg")
    assert row.spec.prints == moved.prints
    moved.run(desk)
    assert (moved.prints / f"picture__{ONE}.tif").exists()
    desk.publisher.ledger.close()


def test_a_sheet_that_waits_for_approval_is_found_after_the_studio_was_moved(
    world: World, tmp_path: Path
) -> None:
    world.approve = True
    ended(world, Stage.STAGED)
    again(world)[0].close()
    world.root.rename(tmp_path / "elsewhere")
    moved = World(tmp_path / "elsewhere")
    desk = moved.open()
    row = desk.approve(ONE)
    assert (row.stage, row.attempt, row.sheet) == (Stage.DONE, 1, moved.prints / f"picture__{ONE}.tif")
    desk.publisher.ledger.close()


def test_recovery_says_what_it_did_in_one_line_of_the_log(world: World) -> None:
    ended(world, Stage.RUNNING)
    again(world)[0].close()
    line = world.places.log.read_text().splitlines()[-1]
    assert '"event": "recovered"' in line and '"again": 1' in line and "\n" not in line
