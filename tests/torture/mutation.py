"""Row `mutation`: whether the tests of claim, ledger and recovery notice a wrong line. Each mutant runs in a copy of the package, never in the tree itself.

The tests of its own module run first, then those of the intake and the jobs, then the ends at every step; the first failure is its end. Survivors are
written to `mutation-survivors.txt` in the folder of the long form's start, with their lines.
"""

from __future__ import annotations

import os
import queue
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import drydown
from tests.torture.equivalent import EQUIVALENT, TUNING
from tests.torture.mutants import Mutant, mutants
from tests.torture.row import Outcome, Row

PACKAGE = Path(drydown.__file__).parent
TREE = Path(__file__).parents[2]
SURVIVORS = Path("mutation-survivors.txt")
WANTED = 0.9
TIMEOUT_S = 240.0  #: of one mutant; a loop without end is noticed too

#: module -> the tests that should notice first
NEAREST = {
    "intake/claim.py": ("tests/intake/test_claim.py", "tests/intake/test_adopt.py"),
    "jobs/ledger.py": (
        "tests/jobs/test_ledger.py",
        "tests/jobs/test_ledger_verbs.py",
        "tests/jobs/test_ledger_models.py",
        "tests/jobs/test_ledger_file.py",
        "tests/jobs/test_publish.py",
    ),
    "jobs/ledger_file.py": (
        "tests/jobs/test_ledger.py",
        "tests/jobs/test_ledger_file.py",
        "tests/jobs/test_ledger_models.py",
    ),
    "jobs/ledger_rows.py": ("tests/jobs/test_ledger.py", "tests/jobs/test_ledger_verbs.py"),
    "jobs/recovery.py": (
        "tests/jobs/test_recovery_ends.py",
        "tests/jobs/test_recovery.py",
        "tests/jobs/test_rebuild.py",
    ),
}
THEN = (
    "tests/jobs/test_ledger.py",
    "tests/jobs/test_publish.py",
    "tests/jobs/test_rebuild.py",
    "tests/jobs/test_requests.py",
    "tests/intake",
    "tests/jobs/test_recovery.py",
)
LAST = ("-m", "tests.torture", "crash-points", "--short")


@dataclass(frozen=True, slots=True)
class Job:
    """A mutant and where it belongs."""

    module: str
    mutant: Mutant

    def __str__(self) -> str:
        return f"{self.module}:{self.mutant.line} {self.mutant.what}"


def jobs() -> list[Job]:
    """Every mutant, those left out that are known to change nothing, or no more than how long something may take."""
    found = [
        Job(module, mutant) for module in NEAREST for mutant in mutants((PACKAGE / module).read_text("utf-8"))
    ]
    left_out = EQUIVALENT.keys() | TUNING.keys()
    return [job for job in found if (job.module, job.mutant.what) not in left_out]


class Copies:
    """As many copies of the package as may be changed at once, each with its compiled modules."""

    def __init__(self, folder: Path, count: int) -> None:
        self._free: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for number in range(count):
            copied = folder / str(number)
            shutil.copytree(PACKAGE, copied / "drydown")
            self._free.put(copied)

    def notices(self, job: Job) -> bool:
        """True when some test fails, or does not end, with this mutant."""
        copied = self._free.get()
        file = copied / "drydown" / job.module
        original = file.read_bytes()
        try:
            file.write_text(job.mutant.of(original.decode()), "utf-8")
            for compiled in (file.parent / "__pycache__").glob(f"{file.stem}.*.pyc"):
                compiled.unlink()
            return any(
                not _passes(copied, *words)
                for words in (_pytest(copied, NEAREST[job.module]), _pytest(copied, THEN), LAST)
            )
        finally:
            file.write_bytes(original)
            self._free.put(copied)

    def check(self) -> None:
        """The package as it is must pass, else nothing can be told."""
        copied = self._free.get()
        for words in (*(_pytest(copied, tests) for tests in (*NEAREST.values(), THEN)), LAST):
            if not _passes(copied, *words):
                raise AssertionError(f"the package as it is fails {' '.join(words)}")
        self._free.put(copied)


def _pytest(copied: Path, tests: Sequence[str]) -> tuple[str, ...]:
    options = ("-x", "-q", "-n0", "-p", "no:cacheprovider", "--timeout=60", f"--basetemp={copied}/pytest")
    return ("-m", "pytest", *options, *tests)


def _passes(copied: Path, *words: str) -> bool:
    """Whether this use of the interpreter ends well with the changed package."""
    # CI: Hypothesis then draws the same examples each time, and no slow machine is a test that noticed something.
    environment = dict(os.environ) | {"PYTHONPATH": str(copied), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    try:
        run = subprocess.run(
            [sys.executable, *words],
            cwd=TREE,
            env=environment,
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
        )
    except subprocess.TimeoutExpired:
        return False
    if run.returncode not in (0, 1):
        # A module that cannot be imported ends the collection: noticed. Anything else is a fault of this row.
        assert "rror" in run.stdout, run.stdout[-2000:] + run.stderr[-2000:]
    return run.returncode == 0


def long(_seed: int) -> Outcome:
    """Every mutant."""
    chosen = jobs()
    survivors: list[str] = []
    at_once = max(1, os.cpu_count() or 1)
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(at_once) as pool:
        copies = Copies(Path(folder), at_once)
        copies.check()
        for number, (job, noticed) in enumerate(
            zip(chosen, pool.map(copies.notices, chosen), strict=True), start=1
        ):
            if not noticed:
                survivors.append(str(job))
                print(f"SURVIVED {job}", file=sys.stderr)
            print(f"{number} of {len(chosen)}", end="\r", file=sys.stderr)
    SURVIVORS.write_text("".join(f"{line}\n" for line in survivors), "utf-8")
    killed = len(chosen) - len(survivors)
    share = killed / len(chosen)
    left_out = f"left out: {len(EQUIVALENT)} known to change nothing, {len(TUNING)} that only tune"
    figures = f"{killed:,} of {len(chosen):,} mutants noticed ({share:.0%}); {left_out}"
    return Outcome(share >= WANTED, figures)


ROW = Row(
    name="mutation",
    says="nine of ten wrong lines in claim, ledger and recovery are noticed by the tests",
    short=None,
    long=long,
)
