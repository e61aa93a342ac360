"""An attempt that waits for its turn when the daemon ends is nobody's failure, and nobody's traceback."""

from __future__ import annotations

import logging
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from jobs_kit import World, answered

from drydown.jobs.engine import Engine
from drydown.jobs.fitness import Fitness
from drydown.jobs.states import Stage


def test_an_attempt_that_was_never_begun_is_dropped_in_silence(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    world = World(tmp_path)
    desk = world.open()
    go_on, begun = threading.Event(), threading.Event()

    def attempt(spec: Any, number: int) -> Any:
        begun.set()
        go_on.wait(30)
        return answered(spec.job, number, "machine", "disk")

    fit = Fitness(world.places, keep_free_bytes=0, was_marked=desk.publisher.was_marked)
    with ThreadPoolExecutor(1) as one, caplog.at_level(logging.ERROR, "concurrent.futures"):
        engine = Engine(desk, attempt, one, fit, at_once=2, wake=lambda: None)  # type: ignore[arg-type]
        for job in ("job1aaaa", "job2aaaa"):
            world.arrive(desk, job, f"{job}.jpg")
        engine.start_ready()
        assert begun.wait(30)
        one.shutdown(wait=False, cancel_futures=True)
        go_on.set()
    assert not caplog.records
    rows = desk.publisher.ledger.in_stage(Stage.RUNNING)
    assert [row.id for row in rows] == ["job1aaaa", "job2aaaa"], "the next start finds both"
    desk.publisher.ledger.close()
