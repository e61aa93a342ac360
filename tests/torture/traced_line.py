"""`python -m tests.torture.traced_line FOLDER [SCENARIO or BUG ...]`: the job line for three pictures in each scenario, or once with each of these bugs.

A program of its own, so that it can be traced. Each run is a process of its own with a studio of its own in FOLDER, and leaves its number in `FOLDER/<name>.pid`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from tests.jobs.crash_kit import in_a_process_killed_at
from tests.torture.bugs import BUGS
from tests.torture.line_kit import SCENARIOS, Line, Scenario

PICTURES = ("a.jpg", "b.jpg", "c.jpg")


def main(folder: Path, names: Sequence[str]) -> None:
    """Each in turn."""
    for number, name in enumerate(names or [one.name for one in SCENARIOS]):
        scenario = next((one for one in SCENARIOS if one.name == name), SCENARIOS[0])
        line = Line(folder / str(number), PICTURES)
        line.lay_out(scenario)
        work = partial(_run, line, scenario, name, folder / f"{name}.pid")
        in_a_process_killed_at(-1, work, look=lambda: None)


def _run(line: Line, scenario: Scenario, name: str, pid: Path) -> None:
    pid.write_text(str(os.getpid()))
    for bug in BUGS:
        if bug.name == name:
            bug.apply()
    line.once(scenario)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
