"""How long a person waits for two commands: the help, and the loop of somebody who writes a step."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from drydown.demo.paper import pearl_profile
from drydown.demo.scenario import lay_out
from drydown.testing.pictures import photograph

ROUNDS = 9
HELP_S, TRY_S = 0.3, 1.0


def commands(folder: Path) -> Iterator[tuple[str, str, str, str]]:
    """`drydown --help`; `drydown try` of a lazy step on a JPEG of 24 megapixels, in a studio and outside one."""
    root, jpeg = folder / "commands", folder / "24.jpg"
    lay_out(root, pearl_profile())
    (photograph(6000, 4000) / 257).cast("uchar").copy(interpretation="srgb").jpegsave(
        str(jpeg), Q=92, profile="srgb"
    )
    yield _timed("drydown --help", ["--help"], folder, HELP_S)
    trying = ["try", "tone-lift", str(jpeg), "--set", "lift_L=4", "--into", str(folder / "tried")]
    yield _timed("drydown try tone-lift on 24 MP, JPEG", ["--studio", str(root), *trying], folder, TRY_S)
    yield _timed("  the same outside a studio", trying, folder, TRY_S)


def _timed(what: str, args: list[str], folder: Path, limit_s: float) -> tuple[str, str, str, str]:
    """The median of several runs, from the start of the program to its end."""
    taken = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "drydown", *args], check=True, stdout=subprocess.DEVNULL, cwd=folder
        )
        taken.append(time.perf_counter() - started)
    found = statistics.median(taken)
    return what, f"{found:.2f} s", f"<= {limit_s:.2f} s", "" if found <= limit_s else "MISSED"
