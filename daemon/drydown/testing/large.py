"""How much memory a step takes for a very large picture: measured in a process of its own, so that nothing else counts."""

from __future__ import annotations

import math
import multiprocessing
from multiprocessing.connection import Connection
from pathlib import Path

from drydown.api import Job
from drydown.testing.cases import Case
from drydown.testing.jobs import a_job
from drydown.testing.memory import Watch

_TILE_PX = (500, 400)


def peak_mb(case: Case, folder: Path) -> float:
    """The most private memory, in MB, beyond what the process held before it began, while the step's result is evaluated row by row.

    The picture is `case.megapixels` large. Raises AssertionError where the step fails or the process ends.
    """
    ours, theirs = multiprocessing.Pipe(duplex=False)
    job = a_job(folder)  # made here: to compute the paper's profile takes longer than most steps
    process = multiprocessing.get_context("spawn").Process(target=_measure, args=(case, job, theirs))
    process.start()
    theirs.close()
    try:
        answer = ours.recv()
    except EOFError:
        process.join()
        raise AssertionError(
            f"its process ended with {process.exitcode} on {case.megapixels} megapixels"
        ) from None
    process.join()
    if isinstance(answer, str):
        raise AssertionError(f"on {case.megapixels} megapixels: {answer}")
    return float(answer)


def _measure(case: Case, job: Job, answer: Connection) -> None:
    from drydown.api import StepOffer
    from drydown.testing.pictures import a_frame, photograph
    from drydown.testing.runs import run_step

    try:
        assert isinstance(case.offer, StepOffer)
        width, height = _TILE_PX
        across = math.ceil(math.sqrt(case.megapixels * 1e6 / (width * height)))
        picture = photograph(width, height).replicate(across, across)
        frame = a_frame(picture, icc=job.stock.icc if case.prepared else None)
        watch = Watch()
        with watch:
            run_step(case.offer, frame, job, **case.settings).pixels.rawsave("/dev/null")
        answer.send(watch.peak_mb)
    except Exception as error:
        answer.send(f"{type(error).__name__}: {error}")
