"""How well profiles are built: `python -m tests.reference.profile_build_table [--short]` prints the table, a line a printer, beside SciPy's cubic RBF on the same patches.

Readings carry noise of ΔE 0.3 (deviation over three axes); A2B is judged on 4,000 device values that no chart holds, against what the printer lays down without noise; B2A
by asking for colours that the printer can print and printing what the profile answers.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from tests.reference.printers_to_profile import KINDS, Forward, foreign, house

from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.pcs import media_relative
from drydown.measuring.chart_points import chart_points
from drydown.measuring.measurement import Measurement
from drydown.profiling.build import build

Floats = NDArray[np.float64]
SIZES = (288, 500, 918)
NOISE = 0.3
UNSEEN = 4000


@dataclass(frozen=True)
class Line:
    """Mean and 95th percentile of ΔE00."""

    a2b: tuple[float, float]
    rbf: tuple[float, float]
    back: tuple[float, float]


def chart_of(forward: Forward, patches: int, *, noise: float = NOISE, seed: int = 5) -> Measurement:
    """Readings of the chart that the product lays for an unknown stock."""
    device = _points(patches)
    Lab = forward(device) + np.random.default_rng(seed).normal(0, noise / np.sqrt(3), device.shape)
    rows = range(len(device))
    return Measurement(
        ids=tuple(str(row + 1) for row in rows),
        places=("",) * len(device),
        lines=(0,) * len(device),
        space="RGB",
        device=device,
        lab=Lab,
        given="lab",
        text=b"CGATS.17\n",
        source="simulated",
    )


@cache
def _points(patches: int) -> Floats:
    """The same for every printer."""
    points = chart_points(patches)
    points.flags.writeable = False
    return points


def judged(forward: Forward, patches: int, seed: int = 5) -> Line:
    """One printer, one chart."""
    chart = chart_of(forward, patches, seed=seed)
    icc = build(chart, stock="simulated", description="simulated").icc
    unseen = np.random.default_rng(99).random((UNSEEN, 3))
    truth = forward(unseen)
    wanted = media_relative(truth, forward(np.ones((1, 3)))[0])
    printed = forward(np.clip(lab_to_device(icc, wanted), 0, 1))
    return Line(
        _two(device_to_lab(icc, unseen, intent="absolute"), truth),
        _two(RBFInterpolator(chart.device, chart.lab, kernel="cubic")(unseen), truth),
        _two(printed, truth),
    )


def _two(first: Floats, second: Floats) -> tuple[float, float]:
    away = ciede2000(first, second)
    return float(away.mean()), float(np.percentile(away, 95))


def printers(short: bool) -> dict[str, Forward]:
    return {
        **house(),
        **{f"foreign: {kind} {n}": foreign(kind, n) for kind in KINDS for n in range(1 if short else 3)},
    }


def main(arguments: list[str]) -> int:
    print("| printer | " + " | ".join(f"{n}: A2B | RBF | B2A, printed" for n in SIZES) + " |")
    print("|---|" + "---|" * 3 * len(SIZES))
    for name, forward in printers("--short" in arguments).items():
        lines = [judged(forward, patches) for patches in SIZES]
        cells = [f"{m:.2f} / {p:.2f}" for line in lines for m, p in (line.a2b, line.rbf, line.back)]
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
