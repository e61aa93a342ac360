"""The daemon, by the real program: drop, approve, stop, start again, two daemons."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from drydown.demo.drive import daemon, follow
from tests.e2e.studio import drydown, make_studio, picture


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio")


def drop(source: Path, folder: Path) -> None:
    source.rename(folder / source.name)


def test_dropped_pictures_come_out_as_sheets_once_each(studio: Path, tmp_path: Path) -> None:
    with daemon(studio):
        for number in range(5):
            drop(picture(tmp_path / f"p{number}.jpg", seed=number), studio / "hot" / "final")
        rows = follow(studio, 5, deadline_s=60, show=lambda row: None)
    assert [row.state for row in rows] == ["completed"] * 5
    assert len(list((studio / "prints" / "final").glob("*.tif"))) == 5
    assert len(list((studio / "originals" / "done").glob("p*.jpg"))) == 5
    assert not [path for path in (studio / "hot" / "final").iterdir() if not path.name.startswith(".")]


def test_a_job_that_waits_for_approval_shows_its_preview_and_no_sheet(studio: Path, tmp_path: Path) -> None:
    with daemon(studio):
        drop(picture(tmp_path / "look.jpg"), studio / "hot" / "look")
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        prints = studio / "prints" / "look"
        assert row.state == "pending-held"
        assert len(list(prints.glob("*.preview.jpg"))) == 1 and not list(prints.glob("*.tif"))
        assert drydown(studio, "approve", row.id).returncode == 0
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
        recipe.write_text(recipe.read_text().replace("lift_L = 3.0", "lift_L = 1.0"))
        end = time.monotonic() + 20
        while b"read again" not in (studio / "state" / "daemon.log").read_bytes() and time.monotonic() < end:
            time.sleep(0.1)
        drop(picture(tmp_path / "b.jpg", seed=2), studio / "hot" / "final")
        rows = follow(studio, 2, deadline_s=60, show=lambda row: None)
    lifts = [
        step.settings["lift_L"]
        for row in rows
        if row.spec
        for step in row.spec.steps
        if step.use == "tone-lift"
    ]
    assert lifts == [3.0, 1.0]


def test_a_daemon_killed_at_work_goes_on_at_the_next_start(studio: Path, tmp_path: Path) -> None:
    with daemon(studio) as process:
        for number in range(4):
            drop(picture(tmp_path / f"p{number}.jpg", seed=number), studio / "hot" / "final")
        deadline = time.monotonic() + 30
        while not list((studio / "state").glob("work/*")) and time.monotonic() < deadline:
            time.sleep(0.01)
        process.kill()
        process.wait()
    (studio / "state" / "daemon.log").unlink()
    with daemon(studio):
        rows = follow(studio, 4, deadline_s=90, show=lambda row: None)
    assert sorted(row.state for row in rows) == ["completed"] * 4
    assert len(list((studio / "prints" / "final").glob("*.tif"))) == 4


def test_a_step_that_crashes_the_process_costs_that_job_only(studio: Path, tmp_path: Path) -> None:
    (studio / "plugins" / "fatal.py").write_text(
        "import os, signal\n"
        "from drydown.api import Settings, hookimpl, step\n"
        "class Fatal(Settings):\n    pass\n"
        "def fatal(frame, settings, job):\n"
        "    os.kill(os.getpid(), signal.SIGSEGV)\n"
        "@hookimpl\n"
        "def drydown_steps():\n    return [step(name='fatal', settings=Fatal, run=fatal)]\n"
    )
    recipe = (studio / "recipes" / "small.toml").read_text()
    (studio / "recipes" / "bad.toml").write_text(recipe + '\n[[step]]\nuse = "fatal"\n')
    done = drydown(studio, "run", "bad", str(picture(tmp_path / "a.jpg")), "--json", timeout_s=110)
    job = json.loads(done.stdout)
    assert job["state"] == "aborted" and "SIGSEGV" in job["reason"] and job["attempts"] == 3
    good = drydown(studio, "run", "small", str(picture(tmp_path / "b.jpg")), "--json")
    assert json.loads(good.stdout)["state"] == "completed"


def test_a_file_that_nobody_can_take_is_told_of_once(studio: Path, tmp_path: Path) -> None:
    with daemon(studio):
        (studio / "hot" / "final" / "lonely.toml").write_text("copies = 2\n")
        log = studio / "state" / "daemon.log"
        end = time.monotonic() + 60
        while b"lonely.toml waits" not in log.read_bytes() and time.monotonic() < end:
            time.sleep(0.2)
        time.sleep(1.5)
        assert log.read_bytes().count(b"lonely.toml waits: settings without a picture") == 1
