"""Folders that are closed by a fault of the machine, and opened again once it is gone."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from jobs_kit import Clock, World, a_spec, an_attempt, answered

from drydown import durable
from drydown.jobs import fitness, space
from drydown.jobs.engine import Engine
from drydown.jobs.fitness import LOOK_S, Fitness
from drydown.jobs.names import PRINTS_MARKER
from drydown.jobs.places import Places, prepare_prints
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import Stage

MB = 1 << 20


class Machine:
    """A machine whose folders fail as told. `calls` are the trials' steps."""

    def __init__(self, root: Path) -> None:
        self.places = Places(root)
        self.prints = root / "prints" / "final"
        self.taken = root / "hot" / ".taken" / "job1aaaa"
        for folder in (self.places.state, self.taken):
            folder.mkdir(parents=True)
        prepare_prints(self.prints, known=False)
        self.spec = a_spec("job1aaaa", prints=self.prints, source=self.taken / "a.jpg")
        self.now = 100.0
        self.fit = Fitness(
            self.places, keep_free_bytes=0, was_marked=lambda path: path == self.prints, now=lambda: self.now
        )


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


@pytest.fixture
def sick(monkeypatch: pytest.MonkeyPatch) -> Iterator[set[str]]:
    """Steps that fail while they are in this set."""
    steps: set[str] = set()

    def listen(name: str) -> None:
        if name in steps:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(durable, "on_step", listen)
    yield steps


def free(monkeypatch: pytest.MonkeyPatch, folder: Path, free_bytes: int) -> None:
    """Below `folder` this much is free; elsewhere there is room."""

    def room(path: Path) -> space.Room:
        return space.Room(free_bytes if path.is_relative_to(folder) else 1 << 40, None, False)

    monkeypatch.setattr(space, "room", room)


def test_a_well_machine_lets_every_job_start(machine: Machine) -> None:
    assert machine.fit.why_not(machine.spec) == "" and not machine.fit.troubles
    machine.fit.suspect(machine.spec)
    assert machine.fit.why_not(machine.spec) == ""
    assert [path.name for path in machine.prints.iterdir()] == [PRINTS_MARKER], "a trial leaves nothing"
    assert not list(machine.taken.iterdir())


@pytest.mark.parametrize("step", ["mkdir", "write", "fsync", "rename", "fsync-folder", "unlink"])
def test_any_step_that_fails_stops_everything_until_it_succeeds(
    machine: Machine, sick: set[str], step: str
) -> None:
    sick.add(step)
    machine.fit.suspect(machine.spec)
    assert (
        machine.fit.stopped and "state cannot be written to (input/output error)" in machine.fit.troubles[0]
    )
    machine.now += LOOK_S
    assert not machine.fit.look() and machine.fit.stopped
    sick.clear()
    assert not machine.fit.look(), "not tried more often than that"
    machine.now += LOOK_S
    assert machine.fit.look() and not machine.fit.stopped and machine.fit.why_not(machine.spec) == ""
    assert not machine.fit.look(), "told once"


def test_a_trial_that_a_crash_has_left_is_in_nobodys_way(machine: Machine) -> None:
    (machine.places.state / fitness._TRIAL).mkdir()
    (machine.prints / fitness._TRIAL).write_bytes(b"")
    machine.fit.suspect(machine.spec)
    assert not machine.fit.troubles


def test_an_offline_share_closes_its_own_pictures_and_no_others(machine: Machine, tmp_path: Path) -> None:
    (machine.prints / PRINTS_MARKER).unlink()
    machine.fit.suspect(machine.spec)
    assert "prints/final" in machine.fit.why_not(machine.spec) and "offline" in machine.fit.troubles[0]
    other = a_spec("job2aaaa", prints=tmp_path / "prints" / "other", source=machine.taken / "b.jpg")
    assert machine.fit.why_not(other) == "" and not machine.fit.stopped
    prepare_prints(machine.prints, known=False)
    machine.now += LOOK_S
    assert machine.fit.look() and machine.fit.why_not(machine.spec) == ""


def test_nothing_starts_below_the_floor_and_what_is_promised_counts(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    bound = space.bound_bytes(machine.spec)
    free(monkeypatch, machine.prints, bound + MB)
    assert machine.fit.why_not(machine.spec) == ""
    assert "disk is full" in machine.fit.why_not(machine.spec, promised_bytes=2 * MB)
    machine.now += LOOK_S
    assert not machine.fit.look(), "it asks for as much as was asked for"
    free(monkeypatch, machine.prints, bound + 2 * MB)
    machine.now += LOOK_S
    assert machine.fit.look() and machine.fit.why_not(machine.spec) == ""


class AtOnce:
    """An executor whose work is done when `submit` returns."""

    def submit(self, work: Any, *args: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(work(*args))
        return future


class Attempts:
    """Attempts that fail for the machine's sake as long as `sick` says so."""

    def __init__(self, work: Path) -> None:
        self.work, self.sick, self.made = work, False, 0

    def folder(self, job: str, number: int) -> Path:
        return self.work / job / str(number)

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        self.made += 1
        return (
            answered(spec.job, number, "machine", "disk")
            if self.sick
            else an_attempt(spec, number, self.work)[0]
        )


def test_pictures_wait_uncharged_while_the_machine_is_unfit_and_go_on_by_themselves(tmp_path: Path) -> None:
    world = World(tmp_path)
    desk = world.open()
    ledger, now = desk.publisher.ledger, Clock(0.0)
    fit = Fitness(world.places, keep_free_bytes=0, was_marked=desk.publisher.was_marked, now=now)
    attempts = Attempts(world.places.work)
    engine = Engine(desk, attempts, AtOnce(), fit, at_once=1, wake=lambda: None)  # type: ignore[arg-type]
    for job in ("job1aaaa", "job2aaaa", "job3aaaa"):
        world.arrive(desk, job, f"{job}.jpg")
    attempts.sick = True
    for _ in range(5):  # failures that no trial finds: the job waits longer each time
        engine.start_ready()
        engine.settle(go_on=False)
        world.clock.now += 1000
    assert attempts.made == 5 and not fit.troubles
    engine.start_ready()
    tried = fit._tried
    fit._tried = lambda folder: "state cannot be written to"  # type: ignore[method-assign]
    engine.settle(go_on=False)
    for _ in range(100):
        world.clock.now += 1000
        now.now += LOOK_S
        assert not engine.start_ready()
    assert attempts.made == 6, "a machine that is known to be unfit is not asked again and again"
    paused = ledger.in_stage(Stage.PAUSED)
    assert paused and all(row.strikes == 0 for row in ledger.jobs())
    attempts.sick, fit._tried = False, tried  # type: ignore[method-assign]
    now.now += LOOK_S
    for _ in range(10):  # no second passes on the wall clock: no pause is waited for
        engine.start_ready()
        engine.settle(go_on=False)
    assert {row.stage for row in ledger.jobs()} == {Stage.DONE}
    assert all(row.strikes == 0 and row.interrupted == 0 for row in ledger.jobs())
