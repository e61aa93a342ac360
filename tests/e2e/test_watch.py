"""The daemon, by the real program: drop, approve, stop, start again, two daemons."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from drydown.demo.drive import follow
from tests.e2e.studio import PAGELESS, RECIPE, STUDIO, drydown, make_studio, picture
from tests.e2e.warm import AtWork, daemon, warm

FATAL = """
import os, signal
from drydown.api import Settings, hookimpl, step

class Fatal(Settings):
    pass

def fatal(frame, settings, job):
    os.kill(os.getpid(), signal.SIGSEGV)

@hookimpl
def drydown_steps():
    return [step(name="fatal", settings=Fatal, run=fatal)]
"""


@dataclass(frozen=True)
class Patient:
    """What takes its time without taking a processor's: begun before the other tests, looked at after them."""

    crashed: Path  #: a studio whose step crashes: three attempts, with a pause before each
    crashing: AtWork
    said: Path  #: by the command


@pytest.fixture(scope="module", autouse=True)
def patient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Patient]:
    root = tmp_path_factory.mktemp("patient")
    crashed = make_studio(
        root / "crashed",
        {"plugins/fatal.py": FATAL, "recipes/bad.toml": f'{RECIPE}\n[[step]]\nuse = "fatal"\n'},
    )
    source = picture(root / "a.jpg")
    command = [sys.executable, "-m", "drydown", "--studio", str(crashed), "run", "bad", str(source), "--json"]
    said = root / "said"
    with said.open("wb") as out:
        crashing = warm().begin(command, stdout=out, stderr=out, start_new_session=True)
        yield Patient(crashed, crashing, said)
        crashing.kill()
        crashing.wait()


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio")


def drop(source: Path, folder: Path) -> None:
    source.rename(folder / source.name)


def test_dropped_pictures_come_out_as_sheets_once_each(studio: Path, tmp_path: Path) -> None:
    with daemon(studio):
        for number in range(3):  # one more than are made at once
            drop(picture(tmp_path / f"p{number}.jpg", seed=number), studio / "hot" / "final")
        rows = follow(studio, 3, deadline_s=60, show=lambda row: None)
    assert [row.state for row in rows] == ["completed"] * 3
    assert len(list((studio / "prints" / "final").glob("*.tif"))) == 3
    assert len(list((studio / "originals" / "done").glob("p*.jpg"))) == 3
    assert not [path for path in (studio / "hot" / "final").iterdir() if not path.name.startswith(".")]


def test_a_job_that_waits_for_approval_shows_its_preview_and_page_and_no_sheet(tmp_path: Path) -> None:
    studio = make_studio(tmp_path / "studio", {"studio.toml": STUDIO})
    with daemon(studio):
        drop(picture(tmp_path / "look.jpg"), studio / "hot" / "look")
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        prints = studio / "prints" / "look"
        assert row.state == "pending-held"
        assert len(list(prints.glob("*.preview.jpg"))) == 1 and not list(prints.glob("*.tif"))
        assert len(list(prints.glob("*.page.html"))) == 1
        assert drydown(studio, "approve", row.id, fresh=True).returncode == 0
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        assert row.state == "completed" and len(list(prints.glob("*.tif"))) == 1


def test_a_running_daemon_does_the_work_of_the_command_line(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "harbour.tif")
    with daemon(studio):
        done = drydown(studio, "run", "small", str(source), "--json")
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["state"] == "completed"
        second = drydown(studio, "watch")
        assert second.returncode == 75 and "in use by process" in second.stderr


def test_a_changed_recipe_counts_from_the_next_picture_on(studio: Path, tmp_path: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    with daemon(studio):
        drop(picture(tmp_path / "a.jpg", seed=1), studio / "hot" / "final")
        follow(studio, 1, deadline_s=60, show=lambda row: None)
        second = picture(tmp_path / "b.jpg", seed=2)
        recipe.write_text(recipe.read_text().replace("lift_L = 3.0", "lift_L = 1.0"))
        drop(second, studio / "hot" / "final")
        rows = follow(studio, 2, deadline_s=60, show=lambda row: None)
        recipe.write_text(recipe.read_text().replace("lift_L = 1.0", "lift_L = 2.0"))
        assert drydown(studio, "retry", rows[-1].id, "--anyway").returncode == 0
        rows = follow(studio, 3, deadline_s=60, show=lambda row: None)
    lifts = [
        step.settings["lift_L"]
        for row in rows
        if row.spec
        for step in row.spec.steps
        if step.use == "tone-lift"
    ]
    assert lifts == [3.0, 1.0, 2.0]


def test_a_recipe_that_somebody_was_in_the_middle_of_does_not_keep_the_daemon_from_starting(
    tmp_path: Path,
) -> None:
    text = PAGELESS.replace('recipe = "small"', 'recipe = "night"', 1)  # of `final`
    spoilt = RECIPE.replace("lift_L = 3.0", "lift_l = 3.0")
    studio = make_studio(tmp_path / "studio", {"studio.toml": text, "recipes/night.toml": spoilt})
    with daemon(studio):
        drop(picture(tmp_path / "a.jpg", seed=1), studio / "hot" / "final")
        drop(picture(tmp_path / "b.jpg", seed=2), studio / "hot" / "look")
        held, asked = sorted(
            follow(studio, 2, deadline_s=60, show=lambda row: None), key=lambda row: row.source_name
        )
        assert "Recipe night is off" in held.reason and "did you mean lift_L?" in held.reason
        assert asked.hot_folder == "look" and asked.sheet is not None, "the other recipe works"
        said = (studio / "state" / "daemon.log").read_text()
        assert "off until these are mended" in said
        live = json.loads(drydown(studio, "check", "--live", "--json").stdout)
        assert any("recipe night is off" in trouble for trouble in live["troubles"])
        (studio / "recipes" / "night.toml").write_text(RECIPE)
        assert drydown(studio, "retry", held.id).returncode == 0
        done = follow(studio, 2, deadline_s=60, show=lambda row: None)
        assert {row.id: row.state for row in done}[held.id] == "completed"


def test_a_daemon_killed_at_work_goes_on_at_the_next_start(studio: Path, tmp_path: Path) -> None:
    with daemon(studio) as process:
        for number in range(3):
            drop(picture(tmp_path / f"p{number}.jpg", seed=number), studio / "hot" / "final")
        deadline = time.monotonic() + 30
        while not list((studio / "state").glob("work/*")) and time.monotonic() < deadline:
            time.sleep(0.01)
        process.kill()
        process.wait()
    (studio / "state" / "daemon.log").unlink()
    with daemon(studio):
        rows = follow(studio, 3, deadline_s=90, show=lambda row: None)
    assert sorted(row.state for row in rows) == ["completed"] * 3
    assert len(list((studio / "prints" / "final").glob("*.tif"))) == 3


def test_a_step_that_crashes_the_process_costs_that_job_only(patient: Patient, tmp_path: Path) -> None:
    patient.crashing.wait(110)
    (job,) = [json.loads(line) for line in patient.said.read_text().splitlines() if line.startswith("{")]
    assert job["state"] == "aborted" and "SIGSEGV" in job["reason"] and job["attempts"] == 3
    studio = patient.crashed
    good = drydown(studio, "run", "small", str(picture(tmp_path / "b.jpg")), "--json")
    assert json.loads(good.stdout)["state"] == "completed"
