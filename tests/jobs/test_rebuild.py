"""A damaged or lost ledger: whatever happened to its file, no picture is lost and none is printed twice."""

from __future__ import annotations

import json
import os
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pytest
from jobs_kit import Printer, World, a_spec, an_attempt, answered, stages

from drydown.jobs import desk as desk_module
from drydown.jobs import names, publish
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Arrival
from drydown.jobs.states import Question, Stage

DONE, REFUSED, WAITS, CUT, APPROVE, PUBLISHING = (
    "done1234",
    "refused1",
    "waits123",
    "cutshort",
    "approve1",
    "publishing",
)
ALL = (DONE, REFUSED, WAITS, CUT, APPROVE, PUBLISHING)


def a_full_studio(root: Path) -> tuple[World, Printer]:
    """One job in each situation that the folders can tell from the others, then the end of the program."""
    world = World(root / "studio")
    printer = Printer(world.prints, root / "book")
    desk = world.open()
    ledger = desk.publisher.ledger
    for job in ALL:
        folder = world.drop_and_claim(job, f"{job}.jpg")
        ledger.arrive(
            Arrival(
                job=job,
                hot_folder="final",
                taken=folder,
                original=f"{job}.jpg",
                dropped=world.hot / f"{job}.jpg",
            )
        )
        source = folder / f"{job}.jpg"
        ledger.plan(job, a_spec(job, prints=world.prints, source=source, approve=job == APPROVE))
    finish(world, desk, DONE)
    printer.look()
    finish(world, desk, APPROVE)
    number = ledger.start(REFUSED)
    desk.conclude(REFUSED, answered(REFUSED, number, "refused", "Not a picture."), world.places.work)
    ledger.start(CUT)
    number = ledger.start(PUBLISHING)
    spec = ledger.job(PUBLISHING).spec
    assert spec is not None
    result, folder = world.attempt(spec, number, world.places.work)
    desk.publisher.stage(PUBLISHING, result, folder)
    ledger.publishing(PUBLISHING, world.boot)
    ledger.close()
    return world, printer


def finish(world: World, desk: Desk, job: str) -> None:
    ledger = desk.publisher.ledger
    spec = ledger.job(job).spec
    assert spec is not None
    number = ledger.start(job)
    result, folder = world.attempt(spec, number, world.places.work)
    desk.conclude(job, result, folder)


def flip(count: int, seed: int) -> Callable[[Path], None]:
    def damage(path: Path) -> None:
        choice = random.Random(seed)
        data = bytearray(path.read_bytes())
        for _ in range(count):
            data[choice.randrange(len(data))] ^= 1 << choice.randrange(8)
        path.write_bytes(data)

    return damage


def cut_to(share: float) -> Callable[[Path], None]:
    return lambda path: os.truncate(path, int(path.stat().st_size * share))


def overwrite(start: int, data: bytes) -> Callable[[Path], None]:
    def damage(path: Path) -> None:
        with path.open("r+b") as file:
            file.seek(start)
            file.write(data)

    return damage


def another_database(path: Path) -> None:
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE job (id TEXT)")
    connection.close()


def text_instead(path: Path) -> None:
    path.write_bytes(b"I am no ledger.\n" * 500)


def only_the_journal(path: Path) -> None:
    path.rename(f"{path}-journal")


#: name -> (damage, whether it must be noticed whatever the bytes are)
DAMAGE: dict[str, tuple[Callable[[Path], None], bool]] = {
    **{f"1 bit, seed {seed}": (flip(1, seed), False) for seed in range(5)},
    **{f"16 bits, seed {seed}": (flip(16, seed), False) for seed in range(5)},
    **{f"2000 bits, seed {seed}": (flip(2000, seed), True) for seed in range(3)},
    "cut to nothing": (cut_to(0), False),
    "cut to a tenth": (cut_to(0.1), True),
    "cut to a half": (cut_to(0.5), True),
    "cut by some bytes": (cut_to(0.97), True),
    "deleted": (Path.unlink, False),
    "no header": (overwrite(0, b"\0" * 16), True),
    "a page of zeros": (overwrite(4096, b"\0" * 4096), True),
    "text instead": (text_instead, True),
    "another database": (another_database, True),
    "only the journal left": (only_the_journal, True),
    "schema number changed": (overwrite(60, (0).to_bytes(4, "big")), True),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_no_damage_to_the_ledger_loses_a_picture_or_prints_one_twice(tmp_path: Path, name: str) -> None:
    world, printer = a_full_studio(tmp_path)
    damage, must_be_seen = DAMAGE[name]
    damage(world.places.ledger)

    desk, summary = world.recover()
    printer.look()
    world.run(desk)
    printer.look()
    ledger = desk.publisher.ledger

    printed = {job: printer.printed()[b"sheet of " + job.encode()] for job in ALL}
    held = {row.id for row in ledger.jobs(["pending-held"])}
    ledger.close()
    assert printed[DONE] == printed[WAITS] == printed[CUT] == 1
    assert printed[APPROVE] == 0
    assert printed[PUBLISHING] == (0 if PUBLISHING in held else 1)
    assert {path.read_bytes() for path in world.originals()} == {job.encode() for job in ALL}
    assert len(world.originals()) == len(ALL)
    if must_be_seen:
        assert summary.rebuilt == 1
        aside = [path.name for path in world.places.state.iterdir() if ".damaged-" in path.name]
        assert aside and summary.aside.startswith("state/ledger.db.damaged-")
    if summary.rebuilt:
        assert held == {APPROVE, PUBLISHING}


def test_there_are_at_least_twenty_kinds_of_damage() -> None:
    assert len(DAMAGE) >= 20


def test_a_lost_ledger_is_built_again_from_the_folders(tmp_path: Path) -> None:
    world, _ = a_full_studio(tmp_path)
    world.places.ledger.unlink()
    desk, summary = world.recover()
    ledger = desk.publisher.ledger
    assert stages(ledger) == {
        DONE: Stage.DONE,
        REFUSED: Stage.FAILED,
        WAITS: Stage.CLAIMED,
        CUT: Stage.CLAIMED,
        APPROVE: Stage.HELD,
        PUBLISHING: Stage.HELD,
    }
    assert (summary.rebuilt, summary.restored, summary.adopted, summary.aside) == (1, 2, 4, "")
    assert ledger.job(REFUSED).reason == "Not a picture."
    assert ledger.job(PUBLISHING).question is Question.PRINTED
    done = ledger.job(DONE)
    assert done.spec is not None and done.spec.recipe == "shoreline"
    assert done.sheet == world.prints / f"picture__{DONE}.tif"
    assert done.result is not None and done.result.seconds == {"render and write": 1.5, "preview": 0.25}
    ledger.close()


def test_a_sheet_that_was_staged_before_the_ledger_was_lost_can_still_be_approved(tmp_path: Path) -> None:
    world, printer = a_full_studio(tmp_path)
    world.places.ledger.unlink()
    desk = world.open()
    row = desk.approve(PUBLISHING)
    printer.look()
    assert row.stage is Stage.DONE
    assert printer.printed()[b"sheet of " + PUBLISHING.encode()] == 1
    desk.publisher.ledger.close()


def test_building_that_was_cut_off_is_taken_up_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from drydown.jobs import recovery

    world, _ = a_full_studio(tmp_path)
    world.places.ledger.unlink()
    monkeypatch.setattr(recovery, "restore_finished", _stop)
    with pytest.raises(InterruptedError):
        world.open()
    monkeypatch.undo()
    desk, summary = world.recover()
    assert summary.restored == 2
    assert len(desk.publisher.ledger.jobs()) == len(ALL)
    desk.publisher.ledger.close()


def _stop(_: object) -> None:
    raise InterruptedError


def test_a_finished_job_whose_picture_still_lies_claimed_is_put_away_after_the_ledger_was_lost(
    tmp_path: Path,
) -> None:
    world, _ = a_full_studio(tmp_path)
    kept = world.places.originals("done") / f"{DONE}__{DONE}.jpg"
    folder = world.taken / DONE
    folder.mkdir()
    (folder / names.STAGED_MARKER).touch()
    kept.rename(folder / f"{DONE}.jpg")
    world.places.ledger.unlink()
    desk = world.open()
    assert desk.publisher.ledger.job(DONE).stage is Stage.DONE
    assert kept.exists() and not folder.exists()
    desk.publisher.ledger.close()


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"record": 99}', b'{"record": 1, "job": "other123"}', b"\xff" * 100]
)
def test_a_record_that_cannot_be_read_is_left_alone_and_harms_nothing(tmp_path: Path, content: bytes) -> None:
    world, _ = a_full_studio(tmp_path)
    record = world.places.originals("done") / f"{DONE}__{DONE}.job.json"
    record.write_bytes(content)
    world.places.ledger.unlink()
    desk, summary = world.recover()
    assert summary.restored == 1
    assert record.read_bytes() == content
    assert not desk.publisher.ledger.has(DONE)
    desk.publisher.ledger.close()


def put_back(world: World, printer: Printer, old: bytes) -> Question:
    """An older ledger in the place of the present one, and a run with it: the picture is held, and its sheet was printed once. Answers what is asked."""
    printer.look()
    world.places.ledger.write_bytes(old)
    desk = world.open()
    world.run(desk)
    printer.look()
    row = desk.publisher.ledger.job(WAITS)
    assert row.stage is Stage.HELD
    assert printer.printed()[b"sheet of " + WAITS.encode()] == 1
    desk.publisher.ledger.close()
    return row.question


def test_an_older_ledger_that_was_put_back_prints_nothing_again(tmp_path: Path) -> None:
    world = World(tmp_path / "studio")
    printer = Printer(world.prints, tmp_path / "book")
    desk = world.open()
    world.arrive(desk, WAITS, "a.jpg")
    desk.publisher.ledger.close()
    old = world.places.ledger.read_bytes()
    desk = world.open()
    world.run(desk)
    desk.publisher.ledger.close()
    assert put_back(world, printer, old) is Question.ORIGINAL


@pytest.mark.parametrize("until", ["claimed", "running", "staged"])
def test_an_older_ledger_asks_about_a_sheet_that_went_out_whose_original_still_waits(
    tmp_path: Path, until: str
) -> None:
    world = World(tmp_path / "studio")
    printer = Printer(world.prints, tmp_path / "book")
    desk = world.open()
    world.arrive(desk, WAITS, "a.jpg")
    result, folder = None, None
    if until != "claimed":
        number = desk.publisher.ledger.start(WAITS)
        result, folder = an_attempt(desk.publisher.ledger.job(WAITS).spec, number, world.places.work)
    if until == "staged":
        desk.publisher.stage(WAITS, result, folder)
    desk.publisher.ledger.close()
    old = world.places.ledger.read_bytes()
    # the end comes before the original is put away
    with mock.patch.object(publish, "put_away"), mock.patch.object(desk_module, "put_away"):
        desk = world.open()
        world.run(desk)
    desk.publisher.ledger.close()
    assert put_back(world, printer, old) is Question.PRINTED


def test_the_record_beside_an_original_is_json_that_names_its_version(tmp_path: Path) -> None:
    world, _ = a_full_studio(tmp_path)
    record = json.loads((world.places.originals("refused") / f"{REFUSED}__{REFUSED}.job.json").read_text())
    assert (record["record"], record["job"], record["state"], record["reason"]) == (
        1,
        REFUSED,
        "aborted",
        "Not a picture.",
    )
    assert record["spec"]["recipe"] == "shoreline"
