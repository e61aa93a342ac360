"""How much memory a step takes for a very large picture: measured in a process of its own, so that nothing else counts."""

from __future__ import annotations

import math
import multiprocessing
import resource
import sys
import threading
from multiprocessing.connection import Connection
from pathlib import Path

from drydown.testing.cases import Case

_TILE_PX = (500, 400)
_LOOK_S = 0.02
_MB = 1 << 20


def peak_mb(case: Case, folder: Path) -> float:
    """The most private memory, in MB, beyond what the process held before it began, while the step's result is evaluated row by row.

    The picture is `case.megapixels` large. Raises AssertionError where the step fails or the process ends.
    """
    ours, theirs = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("spawn").Process(target=_measure, args=(case, folder, theirs))
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


def _measure(case: Case, folder: Path, answer: Connection) -> None:
    from drydown.api import StepOffer
    from drydown.testing.jobs import a_job, paper_profile
    from drydown.testing.pictures import a_frame, photograph
    from drydown.testing.runs import run_step

    try:
        assert isinstance(case.offer, StepOffer)
        width, height = _TILE_PX
        across = math.ceil(math.sqrt(case.megapixels * 1e6 / (width * height)))
        picture = photograph(width, height).replicate(across, across)
        frame = a_frame(picture, icc=paper_profile() if case.prepared else None)
        job = a_job(folder)
        watch = _Watch()
        with watch:
            run_step(case.offer, frame, job, **case.settings).pixels.rawsave("/dev/null")
        answer.send(watch.peak_mb)
    except Exception as error:
        answer.send(f"{type(error).__name__}: {error}")


class _Watch:
    """Looks at this process's private memory every 20 ms; mapped files are not counted, because the system can take them back."""

    def __init__(self) -> None:
        self._before = _private_mb()
        self.peak_mb = 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while True:
            over = self._over.wait(_LOOK_S)
            self.peak_mb = max(self.peak_mb, _private_mb() - self._before)
            if over:
                return


def _private_mb() -> float:
    """Private memory now; where there is no /proc, the most that was ever resident."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return most / _MB if sys.platform == "darwin" else most / 1024
    kb = sum(int(line.split()[1]) for line in lines if line.startswith(("RssAnon", "RssShmem")))
    return kb / 1024
