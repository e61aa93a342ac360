"""Staging and publishing, and what a person's answer does to a held sheet."""

from __future__ import annotations

import errno
import json
import os
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jobs_kit import World, a_spec, an_attempt, answered

from drydown import durable
from drydown.errors import Conflict, MachineFault
from drydown.jobs import names
from drydown.jobs.desk import Desk
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.names import PRINTS_MARKER
from drydown.jobs.places import Places, prepare_prints
from drydown.jobs.publish import BadOutputs, boot_id
from drydown.jobs.spec import AttemptResult, JobSpec, Output
from drydown.jobs.states import Question, Stage

ONE = "job1aaaa"


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path / "studio")


@pytest.fixture
def desk(world: World) -> Iterator[Desk]:
    opened = world.open()
    yield opened
    opened.publisher.ledger.close()


def begun(world: World, desk: Desk, job: str = ONE, name: str = "a.jpg") -> tuple[JobSpec, int]:
    """A job whose attempt has just begun."""
    row = world.arrive(desk, job, name)
    assert row.spec is not None
    return row.spec, desk.publisher.ledger.start(job)


def made(world: World, desk: Desk) -> tuple[AttemptResult, Path]:
    """A job whose attempt has just ended."""
    spec, number = begun(world, desk)
    return world.attempt(spec, number, world.places.work)


def listed(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_sheet_comes_out_with_preview_ticket_and_record_and_its_original_is_put_away(
    world: World, desk: Desk
) -> None:
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    assert row.stage is Stage.DONE
    prefix = f"picture__{ONE}"
    files = {".tif", ".preview.jpg", ".ticket.txt", ".ticket.json", ".job.json"}
    assert listed(world.prints) == {prefix + end for end in files} | {PRINTS_MARKER}
    assert listed(world.places.originals("done")) == {f"a__{ONE}.jpg", f"a__{ONE}.job.json"}
    assert not list(world.taken.iterdir())
    assert not (world.places.work / ONE).exists()


def test_a_published_file_may_be_read_by_others_though_the_attempt_kept_it_to_itself(
    world: World, desk: Desk
) -> None:
    result, folder = made(world, desk)
    for path in folder.iterdir():
        path.chmod(0o600)
    row = desk.conclude(ONE, result, folder)
    assert row.prints is not None
    assert {path.stat().st_mode & 0o777 for path in row.prints.glob(f"*{ONE}*")} == {0o644}


def test_the_record_is_enough_to_make_the_sheet_again(world: World, desk: Desk) -> None:
    result, folder = made(world, desk)
    desk.conclude(ONE, result, folder)
    record = json.loads((world.prints / f"picture__{ONE}.job.json").read_text())
    assert record["record"] == 1
    assert JobSpec.model_validate(record["spec"]) == desk.publisher.ledger.job(ONE).spec
    assert AttemptResult.model_validate(record["result"]) == result
    kinds = {file["kind"]: (file["name"], file["blake3"]) for file in record["files"]}
    assert kinds["sheet"] == (f"picture__{ONE}.tif", result.outputs[0].blake3)
    assert record["original"]["kept"] == f"originals/done/a__{ONE}.jpg"
    assert (world.root / record["original"]["kept"]).exists()


def test_settings_that_came_with_the_picture_are_put_away_with_it(world: World, desk: Desk) -> None:
    spec, number = begun(world, desk)
    (spec.source.parent / "a.toml").write_text("strength = 0.3\n")
    result, folder = world.attempt(spec, number, world.places.work)
    desk.conclude(ONE, result, folder)
    assert (world.places.originals("done") / f"a__{ONE}.toml").read_text() == "strength = 0.3\n"


def test_a_copy_of_a_persons_own_file_is_removed_and_the_file_itself_stays(
    world: World, desk: Desk, tmp_path: Path
) -> None:
    from drydown.jobs.ledger import Arrival

    own = tmp_path / "a.jpg"
    own.write_bytes(b"mine")
    folder = world.drop_and_claim(ONE, "a.jpg", b"mine")
    ledger = desk.publisher.ledger
    ledger.arrive(
        Arrival(job=ONE, hot_folder="run", taken=folder, original="a.jpg", dropped=own, copied=True)
    )
    ledger.plan(ONE, world.spec(folder / "a.jpg", ONE))
    world.run(desk)
    assert ledger.job(ONE).stage is Stage.DONE
    assert own.read_bytes() == b"mine" and not folder.exists()
    assert listed(world.places.originals("done")) == {f"a__{ONE}.job.json"}


def test_pictures_of_one_name_never_meet(world: World, desk: Desk) -> None:
    jobs = [f"job{number:05d}" for number in range(5)]
    for job in jobs:
        world.arrive(desk, job, "IMG_0001.jpg")
    world.run(desk)
    assert {path.read_bytes() for path in world.prints.glob("*.tif")} == {
        f"sheet of {job}".encode() for job in jobs
    }
    assert len(list(world.places.originals("done").glob("*.jpg"))) == 5


def test_a_name_as_long_as_a_name_can_be_is_put_away_under_one_that_fits(world: World, desk: Desk) -> None:
    name = "é" * 125 + ".jpg"  # 254 bytes
    world.arrive(desk, ONE, name)
    world.run(desk)
    kept = next(world.places.originals("done").glob("*.jpg"))
    assert len(os.fsencode(kept.name)) <= 255
    assert kept.name.endswith(f"é__{ONE}.jpg")


def test_a_name_that_is_no_text_is_put_away_as_it_is(world: World, desk: Desk) -> None:
    name = os.fsdecode(b"\xff\xfe\n.jpg")
    world.arrive(desk, ONE, name)
    world.run(desk)
    kept = {os.fsencode(path.name) for path in world.places.originals("done").iterdir()}
    assert b"\xff\xfe\n__" + ONE.encode() + b".jpg" in kept
    record = json.loads((world.prints / f"picture__{ONE}.job.json").read_bytes())
    assert record["original"]["name"].isprintable()


def test_nothing_is_overwritten(world: World, desk: Desk) -> None:
    result, folder = made(world, desk)
    world.prints.mkdir(parents=True)
    sheet = world.prints / f"picture__{ONE}.tif"
    sheet.write_bytes(b"somebody's")
    row = desk.conclude(ONE, result, folder)
    assert (row.stage, row.question) == (Stage.HELD, Question.PLACE)
    assert sheet.read_bytes() == b"somebody's"
    sheet.unlink()
    assert desk.approve(ONE).stage is Stage.DONE
    assert sheet.read_bytes() == b"sheet of " + ONE.encode()


def test_a_rename_whose_answer_is_lost_and_whose_sheet_is_collected_at_once_is_asked_about(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    # found by an error injected into the very rename that publishes: "make it anew" was the advice, for a sheet that somebody had
    collected: list[bytes] = []
    rename = durable._rename_new

    def loses_its_answer(src: Any, dst: Any, *fds: int | None) -> None:
        rename(src, dst, *fds)
        if names.job_of_stage_name(Path(src).name):
            collected.append(Path(dst).read_bytes())
            Path(dst).unlink()
            raise FileNotFoundError(errno.ENOENT, "no such file", str(src))

    monkeypatch.setattr(durable, "_rename_new", loses_its_answer)
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    # the sheet gets its staging name by a rename, too: that one found its file, and nobody collects those
    assert collected and row.stage is Stage.HELD and row.question is Question.PRINTED
    assert "was it printed?" in row.reason
    monkeypatch.undo()
    assert desk.cancel(ONE).stage is Stage.CANCELLED and len(collected) == 1


def test_a_staged_sheet_that_is_taken_away_before_it_is_handed_over_is_to_be_made_anew(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = desk.publisher.ledger
    publishing = ledger.publishing

    def and_somebody_tidies(job: str, boot: str) -> JobRow:
        row = publishing(job, boot)
        (world.prints / names.stage_name(job)).unlink()
        return row

    monkeypatch.setattr(ledger, "publishing", and_somebody_tidies)
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    assert row.stage is Stage.HELD and row.question is Question.PLACE and "make it anew" in row.reason


def test_a_file_that_takes_the_place_at_the_last_instant_is_not_overwritten_either(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    result, folder = made(world, desk)
    sheet = world.prints / f"picture__{ONE}.tif"

    def squat(name: str) -> None:
        if name == "rename" and desk.publisher.ledger.job(ONE).stage is Stage.PUBLISHING:
            sheet.write_bytes(b"somebody's")

    monkeypatch.setattr(durable, "on_step", squat)
    row = desk.conclude(ONE, result, folder)
    assert (row.stage, row.question) == (Stage.HELD, Question.PLACE)
    assert sheet.read_bytes() == b"somebody's"


# what an attempt hands over


def spoil(result: AttemptResult, folder: Path, how: str) -> AttemptResult:
    outputs = list(result.outputs)
    if how == "sheet missing":
        (folder / "sheet.tif").unlink()
    elif how == "sheet cut":
        (folder / "sheet.tif").write_bytes(b"sh")
    elif how == "sheet is a link":
        (folder / "sheet.tif").rename(folder / "other.tif")
        (folder / "sheet.tif").symlink_to(folder / "other.tif")
    elif how == "no ticket":
        outputs = outputs[:2]
    elif how == "outside":
        said = outputs[0].model_dump() | {"path": "../../../ledger.db"}
        outputs[0] = Output.model_validate(said)
    elif how == "other bytes":
        data = bytearray((folder / "sheet.tif").read_bytes())
        data[0] ^= 1
        (folder / "sheet.tif").write_bytes(data)
    return result.model_copy(update={"outputs": tuple(outputs)})


@pytest.mark.parametrize("how", ["sheet missing", "sheet cut", "sheet is a link", "no ticket", "outside"])
def test_an_attempt_that_did_not_make_what_it_says_has_failed(world: World, desk: Desk, how: str) -> None:
    result, folder = made(world, desk)
    row = desk.conclude(ONE, spoil(result, folder, how), folder)
    assert (row.stage, row.strikes) == (Stage.RETRY, 1)
    assert not list(world.prints.glob("*.tif"))


def test_the_bytes_are_compared_where_the_attempt_ran_elsewhere(world: World, desk: Desk) -> None:
    result, folder = made(world, desk)
    with pytest.raises(BadOutputs, match="hash"):
        desk.publisher.stage(ONE, spoil(result, folder, "other bytes"), folder, check="hash")


@pytest.mark.parametrize("late", ["an earlier attempt", "a cancelled job"])
def test_an_answer_that_comes_too_late_changes_nothing(world: World, desk: Desk, late: str) -> None:
    result, folder = made(world, desk)
    ledger = desk.publisher.ledger
    if late == "an earlier attempt":
        ledger.retry(ONE, not_before=0, strikes=1, reason="deadline")
        ledger.start(ONE)
    else:
        desk.cancel(ONE)
    before = ledger.job(ONE)
    assert desk.conclude(ONE, result, folder) == before
    assert not list(world.root.rglob("*.tif"))


def test_three_crashes_abort_the_job_and_the_original_is_kept_with_the_reason(
    world: World, desk: Desk
) -> None:
    world.attempt = lambda spec, number, work: (answered(spec.job, number, "crashed", "Signal 11"), work)
    world.arrive(desk, ONE, "a.jpg")
    world.run(desk)
    row = desk.publisher.ledger.job(ONE)
    assert (row.stage, row.attempt, row.strikes) == (Stage.FAILED, 3, 3)
    refused = world.places.originals("refused")
    assert (refused / f"a__{ONE}.jpg").read_bytes() == ONE.encode()
    assert "Signal 11 (tried 3 times)" in (refused / f"a__{ONE}.reason.txt").read_text()


def test_what_a_defect_left_to_read_is_in_the_job_log(world: World, desk: Desk) -> None:
    result, folder = made(world, desk)
    (folder / "traceback.txt").write_text("ZeroDivisionError: division by zero")
    desk.conclude(ONE, answered(ONE, result.attempt, "crashed", "division by zero"), folder)
    assert "ZeroDivisionError" in world.places.log.read_text()
    assert not folder.exists()


def test_a_full_prints_disk_pauses_the_job_without_a_strike(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    result, folder = made(world, desk)
    from drydown import durable

    def full(name: str) -> None:
        if name == "write":
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(durable, "on_step", full)
    row = desk.conclude(ONE, result, folder)
    assert (row.stage, row.strikes, row.pauses) == (Stage.PAUSED, 0, 1)
    assert "no space left" in row.reason and "goes on by itself" in row.reason
    monkeypatch.undo()
    world.run(desk)
    assert desk.publisher.ledger.job(ONE).stage is Stage.DONE


def test_an_original_that_cannot_be_put_away_now_is_put_away_later(
    world: World, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    (world.root / "originals").mkdir()
    (world.root / "originals" / "done").write_text("in the way")
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    assert (row.stage, desk.behind) == (Stage.PUBLISHED, {ONE})
    assert (world.prints / f"picture__{ONE}.tif").exists()
    (world.root / "originals" / "done").unlink()
    desk.catch_up()
    assert (desk.publisher.ledger.job(ONE).stage, desk.behind) == (Stage.DONE, set())


# a person's word


@pytest.fixture
def held(world: World, desk: Desk) -> Desk:
    world.approve = True
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    assert (row.stage, row.state, row.question) == (Stage.HELD, "pending-held", Question.APPROVE)
    return desk


def test_a_job_to_be_approved_shows_its_preview_and_not_its_sheet(world: World, held: Desk) -> None:
    assert (world.prints / f"picture__{ONE}.preview.jpg").exists()
    assert (world.prints / f"picture__{ONE}.ticket.txt").exists()
    assert not list(world.prints.glob("*.tif"))
    reason = (world.places.originals("held") / f"a__{ONE}.reason.txt").read_text()
    assert "Look at the crop in prints/final/picture__job1aaaa.preview.jpg" in reason
    assert f"drydown approve {ONE}" in reason and "hot/final/.taken/job1aaaa/a.jpg" in reason


def test_an_approved_job_is_published_without_rendering_again(world: World, held: Desk) -> None:
    row = held.approve(ONE)
    assert (row.stage, row.attempt) == (Stage.DONE, 1)
    assert (world.prints / f"picture__{ONE}.tif").exists()
    assert not list(world.places.originals("held").iterdir())


def test_a_staged_sheet_that_was_touched_after_it_was_seen_is_rendered_and_shown_again(
    world: World, held: Desk
) -> None:
    (world.prints / names.stage_name(ONE)).write_bytes(b"sheet of job1aaab")
    assert held.approve(ONE).stage is Stage.CLAIMED
    world.run(held)
    row = held.publisher.ledger.job(ONE)
    assert (row.stage, row.question, row.attempt) == (Stage.HELD, Question.APPROVE, 2)


def test_a_held_job_that_is_retried_is_rendered_anew_and_asks_again(world: World, held: Desk) -> None:
    assert held.release(ONE).stage is Stage.CLAIMED
    assert not (world.prints / names.stage_name(ONE)).exists()
    assert not list(world.places.originals("held").iterdir())
    world.run(held)
    assert held.publisher.ledger.job(ONE).question is Question.APPROVE


def test_a_held_job_that_is_cancelled_leaves_nothing_in_the_prints_folder_and_keeps_its_original(
    world: World, held: Desk
) -> None:
    row = held.cancel(ONE)
    assert row.state == "canceled"
    assert listed(world.prints) == {PRINTS_MARKER}
    assert (world.places.originals("refused") / f"a__{ONE}.jpg").exists()
    assert (
        "Cancelled by a person." in (world.places.originals("refused") / f"a__{ONE}.reason.txt").read_text()
    )


def test_only_a_job_whose_sheet_is_staged_can_be_approved(world: World, desk: Desk) -> None:
    world.arrive(desk, ONE)
    desk.hold(ONE, Question.RECIPE, "the step 'border' is not installed")
    with pytest.raises(Conflict, match="retry it"):
        desk.approve(ONE)
    desk.release(ONE)
    with pytest.raises(Conflict):
        desk.approve(ONE)


def test_a_running_job_is_cancelled_and_a_published_one_is_not(world: World, desk: Desk) -> None:
    begun(world, desk)
    assert desk.cancel(ONE).stage is Stage.CANCELLED
    world.arrive(desk, "job2bbbb")
    world.run(desk)
    with pytest.raises(Conflict, match="completed"):
        desk.cancel("job2bbbb")


# places


def test_a_sheet_goes_to_a_prints_folder_on_another_file_system(
    world: World, desk: Desk, other_path: Path
) -> None:
    world.prints = other_path / "prints"
    result, folder = made(world, desk)
    row = desk.conclude(ONE, result, folder)
    assert row.stage is Stage.DONE and row.sheet is not None
    assert row.sheet.read_bytes() == b"sheet of " + ONE.encode()
    assert row.sheet.stat().st_mode & 0o777 == 0o644
    assert listed(world.prints) == {
        PRINTS_MARKER,
        *(
            f"picture__{ONE}{end}"
            for end in (
                *(end for kind, end in names.SUFFIXES.items() if kind not in names.OPTIONAL),
                names.RECORD,
            )
        ),
    }


def test_an_original_on_another_file_system_is_copied_verified_and_only_then_removed(
    world: World, desk: Desk, other_path: Path
) -> None:
    world.hot = other_path / "hot"
    world.taken = world.hot / ".taken"
    world.taken.mkdir(parents=True)
    world.arrive(desk, ONE, "a.jpg")
    kept = world.places.originals("done") / f"a__{ONE}.jpg"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(ONE.encode())  # as a crash between copy and removal leaves it
    world.run(desk)
    assert [path.read_bytes() for path in world.originals()] == [ONE.encode()]
    assert kept.exists()


def test_a_prints_folder_without_its_marker_is_taken_for_an_empty_mount_point(
    world: World, desk: Desk
) -> None:
    world.arrive(desk, ONE)
    world.run(desk)
    (world.prints / PRINTS_MARKER).unlink()
    spec, number = begun(world, desk, "job2bbbb")
    result, folder = an_attempt(spec, number, world.places.work)
    row = desk.conclude("job2bbbb", result, folder)
    assert row.stage is Stage.PAUSED and "offline" in row.reason
    (world.prints / PRINTS_MARKER).touch()
    world.run(desk)
    assert desk.publisher.ledger.job("job2bbbb").stage is Stage.DONE


def test_a_prints_folder_that_a_person_has_deleted_is_made_again(world: World, tmp_path: Path) -> None:
    prepare_prints(tmp_path / "prints" / "final", known=True)
    assert (tmp_path / "prints" / "final" / PRINTS_MARKER).exists()
    (tmp_path / "prints" / "final" / PRINTS_MARKER).unlink()
    with pytest.raises(MachineFault, match="marker"):
        prepare_prints(tmp_path / "prints" / "final", known=True)


def test_the_boot_is_told_by_the_kernel_and_an_unknown_one_is_empty(tmp_path: Path) -> None:
    (tmp_path / "boot").write_text("0123-abcd\n")
    assert boot_id(tmp_path / "boot") == "0123-abcd"
    assert boot_id(tmp_path / "nothing") == ""
    (tmp_path / "binary").write_bytes(b"\xff")
    assert boot_id(tmp_path / "binary") == ""


# names


def test_kept_names_fit_and_tell_their_job_whatever_the_picture_is_called() -> None:
    choice = random.Random(5)
    letters = ["a", "é", "日", "\udcff", ".", " ", "__", "\n", "𝒳"]
    for _ in range(500):
        name = "".join(choice.choices(letters, k=choice.randrange(1, 120)))
        kept = names.kept_name(name, ONE)
        assert len(os.fsencode(kept)) <= 255 and "/" not in kept
        for suffix in (names.RECORD, names.REASON):
            note = names.kept_beside(name, ONE, suffix)
            assert len(os.fsencode(note)) <= 255
            assert names.job_of_note(note, suffix) == ONE


@pytest.mark.parametrize(
    "name",
    [
        ".stage-.part",
        ".stage-../x.part",
        "stage-job1aaaa.part",
        ".stage-job1aaaa.part2",
        ".stage-JOB1AAAA.part",
    ],
)
def test_a_name_that_is_not_ours_is_no_staging_name(name: str) -> None:
    assert names.job_of_stage_name(name) == ""


def test_a_staging_name_tells_its_job() -> None:
    assert names.job_of_stage_name(names.stage_name(ONE)) == ONE


def test_places_are_shown_below_the_studio_and_escaped(tmp_path: Path) -> None:
    places = Places(tmp_path)
    assert places.shown(tmp_path / "prints" / "a\x1b[2J.tif") == r"prints/a\x1b[2J.tif"
    assert places.shown(Path("/elsewhere/a")) == "/elsewhere/a"


def test_a_plan_that_this_program_cannot_read_does_not_keep_its_sheet_from_being_published(
    world: World, desk: Desk
) -> None:
    result, folder = made(world, desk)
    desk.publisher.stage(ONE, result, folder)
    ledger = desk.publisher.ledger
    ledger._connection.execute("UPDATE job SET spec = ?", (json.dumps({"spec": 99, "later": True}),))
    with pytest.raises(ValueError, match="later"):
        _ = ledger.job(ONE).spec
    assert desk.go_on(ONE).stage is Stage.DONE


def test_a_plan_is_for_its_own_job_only(world: World, desk: Desk) -> None:
    world.arrive(desk, ONE)
    with pytest.raises(ValueError, match="not for"):
        desk.publisher.ledger.plan(ONE, a_spec("job2bbbb", prints=world.prints, source=Path("a.jpg")))
