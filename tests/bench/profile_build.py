"""How long a profile takes from 918 measured patches, by the command that a person types."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from drydown.demo.measurements import PATCHES, demo_measurements
from drydown.demo.paper import pearl_profile
from drydown.demo.scenario import lay_out

LIMIT_S = 10.0
ROUNDS = 3


def profile_build(folder: Path) -> Iterator[tuple[str, str, str, str]]:
    """From the command to the file on the disk, the program's start included."""
    root, readings = folder / "build", demo_measurements(0.3, 1)
    lay_out(root, pearl_profile())
    (root / "measured.txt").write_bytes(readings.text)
    command = [sys.executable, "-m", "drydown", "--studio", str(root), "profile", "build", "pearl"]
    taken = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        subprocess.run(
            [*command, str(root / "measured.txt"), "--out", str(root / "built.icc")],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        taken.append(time.perf_counter() - started)
    found = statistics.median(taken)
    verdict = "" if found <= LIMIT_S else "MISSED"
    yield (
        f"a profile from {len(readings)} readings of {PATCHES} patches",
        f"{found:.1f} s",
        f"<= {LIMIT_S:.0f} s",
        verdict,
    )
