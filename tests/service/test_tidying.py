"""`drydown tidy`: old originals are listed, and go by this command's own hand or the running daemon's, with the same words."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from tests.e2e.studio import drydown, make_studio
from tests.e2e.warm import daemon
from tests.jobs.jobs_kit import Clock, World

from drydown.jobs.ledger import LedgerView
from drydown.jobs.retention import DAY_S, REMOVED

JOBS = {"1m890bj2ft0p6": "first light.jpg", "1m890bj2ft0p7": "sec\x1b[31mond.jpg"}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A studio with two jobs completed forty days ago."""
    root = make_studio(tmp_path / "studio")
    world = World(root, clock=Clock(time.time() - 40 * DAY_S))
    desk = world.open()
    for job, name in JOBS.items():
        world.arrive(desk, job, name)
    world.run(desk)
    desk.publisher.ledger.close()
    return root


def originals(root: Path) -> list[Path]:
    return sorted((root / "originals" / "done").glob("*.jpg"))


def removed(root: Path) -> set[str]:
    """Jobs whose original the ledger says to have let go."""
    with LedgerView.read(root / "state" / "ledger.db") as ledger:
        return {job for job in JOBS if any(event.event == REMOVED for event in ledger.events(job))}


def test_what_may_go_is_listed_and_stays(root: Path) -> None:
    shown = drydown(root, "tidy", "--days", "30")
    assert shown.returncode == 0 and shown.stdout.count("originals/done/") == 2
    assert shown.stdout.replace("\n", "").isprintable()
    assert "2 originals" in shown.stderr and "delete them with: drydown tidy --remove" in shown.stderr
    listed = [
        json.loads(line) for line in drydown(root, "tidy", "--days", "30", "--json").stdout.splitlines()
    ]
    assert [one["job"] for one in listed] == list(JOBS) and all(one["bytes"] for one in listed)
    assert "0 originals" in drydown(root, "tidy", "--days", "50").stderr
    assert len(originals(root)) == 2 and not removed(root)


@pytest.mark.parametrize("runs", [False, True], ids=["by its own hand", "through the running daemon"])
def test_they_go_when_that_is_asked_for_and_one_that_was_edited_stays(root: Path, runs: bool) -> None:
    edited, _ = originals(root)
    edited.write_bytes(b"edited since")
    if runs:
        with daemon(root):
            done = drydown(root, "tidy", "--days", "30", "--remove")
            end = time.monotonic() + 60
            while len(originals(root)) > 1 and time.monotonic() < end:
                time.sleep(0.05)
    else:
        done = drydown(root, "tidy", "--days", "30", "--remove")
        assert "1 of 2 originals" in done.stderr and "why others stay is said in state/" in done.stderr
        assert "it has changed since" in (root / "state" / "jobs.log").read_text()
    assert done.returncode == 0, done.stderr
    assert originals(root) == [edited] and removed(root) == {"1m890bj2ft0p7"}
    again = drydown(root, "tidy", "--days", "30", "--remove")
    assert again.returncode == 0 and originals(root) == [edited]
