"""Observers: told in order, in a thread of their own; whatever they do stops neither the loop nor a job."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from drydown.api import hookimpl
from drydown.discovery.loading import new_manager
from drydown.jobs.joblog import JobLog
from drydown.service.observers import Observers


class Plugin:
    """An observer that does what it is told to."""

    def __init__(self, do: Any) -> None:
        self._do = do

    @hookimpl
    def drydown_job_finished(self, job: Any, outcome: str) -> None:
        """Observe."""
        self._do(job, outcome)


def told(tmp_path: Path, *does: Any, jobs: int = 1, within_s: float = 20.0) -> str:
    """The job log after observers that do this were told of so many jobs."""
    manager = new_manager()
    for number, do in enumerate(does):
        manager.register(Plugin(do), name=f"observer-{number}")
    log = JobLog(tmp_path / "jobs.log")
    observers = Observers(log, slow_s=0.0)
    for number in range(jobs):
        observers.tell(manager, f"job{number}", {"job": f"job{number}"}, "completed")
        observers.look()
    observers.close(within_s)
    log.close()
    return (tmp_path / "jobs.log").read_text()


def exits(job: Any, outcome: str) -> None:
    raise SystemExit(0)


def raises(job: Any, outcome: str) -> None:
    raise ValueError("no such folder")


@pytest.mark.parametrize(
    ("bad", "says"), [(exits, "SystemExit"), (raises, "ValueError: no such folder")], ids=["exits", "raises"]
)
def test_one_that_fails_is_logged_and_the_others_are_told_all_the_same(
    tmp_path: Path, bad: Any, says: str
) -> None:
    seen: list[tuple[str, str]] = []
    text = told(tmp_path, lambda job, outcome: seen.append((job["job"], outcome)), bad, jobs=3)
    assert seen == [(f"job{number}", "completed") for number in range(3)]
    assert text.count(says) == 3


def test_one_that_never_comes_back_keeps_nobody_waiting_and_is_named(tmp_path: Path) -> None:
    may_go = threading.Event()
    text = told(tmp_path, lambda job, outcome: may_go.wait(60), jobs=2, within_s=0.2)
    may_go.set()
    assert "observer left" in text and "observer-0" in text
