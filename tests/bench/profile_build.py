"""How long a profile takes from 918 measured patches."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from pathlib import Path

from drydown.demo.measurements import demo_measurements
from drydown.profiling.build import build

LIMIT_S = 10.0
ROUNDS = 3


def profile_build(folder: Path) -> Iterator[tuple[str, str, str, str]]:
    """From readings to bytes and report; the first round pays for imports and counts with the others."""
    chart = demo_measurements(0.3, 1)
    taken = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        icc = build(chart, stock="pearl", description="Pearl").icc
        taken.append(time.perf_counter() - started)
    (folder / "built.icc").write_bytes(icc)
    found = statistics.median(taken)
    verdict = "" if found <= LIMIT_S else "MISSED"
    yield (
        f"a profile from {len(chart)} readings of 918 patches",
        f"{found:.1f} s",
        f"<= {LIMIT_S:.0f} s",
        verdict,
    )
