"""Single rules of the protocol that neither ends of the program nor the order of syncs can show, each as a check that raises where it is broken."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
from pathlib import Path
from unittest import mock

from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Ledger, LedgerDamaged
from drydown.jobs.names import stage_name
from drydown.jobs.spec import AttemptResult
from drydown.jobs.states import Stage
from tests.jobs.jobs_kit import World, local

JOB = "job1aaaa"


def _begun(world: World) -> tuple[Desk, AttemptResult, Path]:
    """A job whose first attempt has just answered."""
    desk = world.open()
    row = world.arrive(desk, JOB)
    assert row.spec is not None
    return desk, *world.attempt(row.spec, desk.publisher.ledger.start(JOB), world.places.work)


def _after_the_next_start(world: World, desk: Desk) -> Stage:
    desk.publisher.ledger.close()
    desk = world.open()
    try:
        return desk.publisher.ledger.job(JOB).stage
    finally:
        desk.publisher.ledger.close()


def a_power_cut_is_asked_about(folder: Path) -> None:
    """A rename that a power cut may have undone is never done again unasked."""
    world = World(folder / "studio")
    desk, result, work = _begun(world)
    desk.publisher.stage(JOB, result, work)
    desk.publisher.ledger.publishing(JOB, world.boot)
    world.boot = "boot-2"
    assert _after_the_next_start(world, desk) is Stage.HELD


def a_late_answer_changes_nothing(folder: Path) -> None:
    """Only the attempt that the ledger counts now may answer."""
    world = World(folder / "studio")
    desk, late, work = _begun(world)
    desk.publisher.ledger.interrupted(JOB)
    desk.publisher.ledger.start(JOB)
    assert desk.conclude(JOB, late, work).stage is Stage.RUNNING
    desk.publisher.ledger.close()


def a_cut_sheet_is_not_published(folder: Path) -> None:
    """A staged sheet is published after a start only when it is what was staged."""
    world = World(folder / "studio")
    desk, result, work = _begun(world)
    desk.publisher.stage(JOB, result, work)
    (world.prints / stage_name(JOB)).write_bytes(b"sheet of")
    assert _after_the_next_start(world, desk) is Stage.CLAIMED


def a_sheet_that_cannot_be_synced_is_not_published(folder: Path) -> None:
    """An error of a sync is the attempt's end, and the machine's fault."""
    world = World(folder / "studio")
    desk, result, work = _begun(world)

    def sync(fd: int) -> None:
        if Path(f"/proc/self/fd/{fd}").readlink().name == "sheet.tif":
            raise OSError(errno.EIO, "the disk says no")

    with mock.patch.object(os, "fsync", sync):
        assert desk.conclude(JOB, result, work).stage is Stage.PAUSED
    desk.publisher.ledger.close()


def a_wrong_letter_in_the_ledger_is_noticed(folder: Path) -> None:
    """Nothing is concluded from a row that is not what was written."""
    world = World(folder / "studio")
    desk = world.open()
    world.arrive(desk, JOB)
    desk.publisher.ledger.close()
    with contextlib.closing(sqlite3.connect(world.places.ledger)) as stranger, stranger:
        stranger.execute("UPDATE job SET hot_folder = 'fina1'")
    try:
        Ledger.open(world.places.ledger, kind_of=local).close()
    except LedgerDamaged:
        return
    raise AssertionError("a ledger with a wrong letter was opened")


CHECKS = (
    a_power_cut_is_asked_about,
    a_late_answer_changes_nothing,
    a_cut_sheet_is_not_published,
    a_sheet_that_cannot_be_synced_is_not_published,
    a_wrong_letter_in_the_ledger_is_noticed,
)
