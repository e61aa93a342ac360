"""Row `sync-order`: what the program asks of the disk, in which order, as the kernel saw it (strace), against the rules that a power cut asks for."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.torture.row import Outcome, Row, tell
from tests.torture.strace_kit import calls, missing, traced
from tests.torture.sync_rules import Rules

#: What the long form runs beside the job line: suites in which the real program works. Where a test plays the program's part, its order says nothing.
SUITES = (
    "tests/e2e/test_watch.py",
    "tests/e2e/test_run.py",
    "tests/e2e/test_portfolio.py",
    "tests/e2e/test_proofing.py",
    "tests/e2e/test_odd_input.py",
)
TIMEOUT_S = 1800.0


def judged(trace: Path) -> tuple[int, list[str]]:
    """How many sheets were published in a trace, and what was wrong."""
    rules = Rules()
    with trace.open(encoding="latin-1") as lines:
        wrong = list(rules.violations(calls(lines)))
    return rules.published, wrong


def trace_line(folder: Path, *what: str, timeout_s: float) -> tuple[Path, int]:
    """The job line under strace (`what`: as `tests.torture.traced_line` takes it); its trace and its exit code."""
    trace = folder / "trace"
    command = [sys.executable, "-m", "tests.torture.traced_line", str(folder), *what]
    return trace, traced(command, trace, timeout_s=timeout_s)


def judged_line(folder: Path, *what: str) -> tuple[int, list[str]]:
    """The job line under strace, judged."""
    trace, code = trace_line(folder, *what, timeout_s=TIMEOUT_S)
    published, wrong = judged(trace)
    return published, wrong + ([f"the traced program ended with {code}"] if code else [])


def _outcome(published: int, wrong: list[str]) -> Outcome:
    tell(wrong[:20])
    return Outcome(published > 0 and not wrong, f"{published:,} sheets published, {len(wrong)} violations")


def short(seed: int) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        return _outcome(*judged_line(Path(folder), "printed"))


def long(seed: int) -> Outcome:
    """All scenarios, then suites of the product's own tests, the real daemon among them."""
    with tempfile.TemporaryDirectory() as folder:
        published, wrong = judged_line(Path(folder))
        for number, suite in enumerate(SUITES):
            trace = Path(folder) / "trace"
            options = [
                "-q",
                "-n0",
                "-p",
                "no:cacheprovider",
                f"--basetemp={folder}/pytest{number}",
            ]
            code = traced(
                [sys.executable, "-m", "pytest", *options, suite],
                trace,
                timeout_s=TIMEOUT_S,
            )
            count, found = judged(trace)
            published += count
            wrong += [f"{suite}: {one}" for one in found] + ([f"{suite} ended with {code}"] if code else [])
            print(f"{suite}: {count} sheets, {len(found)} violations", file=sys.stderr)
    return _outcome(published, wrong)


ROW = Row(
    name="sync-order",
    says="claim, ledger, stage, publish and put away reach the disk in the order that a power cut asks for",
    short=short,
    long=long,
    missing=missing,
)
