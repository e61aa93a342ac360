"""What the tests of measuring share: readings of a simulated paper, and small CGATS texts to spoil."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import product

import numpy as np

from drydown.api import EdgesMm, Sheet, SizeMm
from drydown.demo.paper import pearl_model, pearl_profile
from drydown.imaging.chart_layout import ChartLayout, Instrument, chart_layout
from drydown.imaging.pcs import Floats
from drydown.measuring.chart import Chart, make_chart
from drydown.measuring.measurement import Condition, Measurement

LETTER = Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in")
EDGES = EdgesMm(top=3, right=3.4, bottom=5, left=3.4)
NOISE = 0.3 / np.sqrt(3)  #: 0.3 as deviation over all three axes


def layout(*, patch_mm: float = 8.0, ppi: float = 360, instrument: Instrument = "strip") -> ChartLayout:
    return chart_layout(LETTER, EDGES, ppi=ppi, patch_mm=patch_mm, gap_mm=0.5, instrument=instrument)


@cache
def small_chart() -> Chart:
    """Two pages of five rows each at 25 mm: quick, and with every part that a large one has."""
    return make_chart(
        "pearl", layout(patch_mm=25.0, ppi=100), instrument="strip", count=60, seed=3, profile=pearl_profile()
    )


@cache
def chart_918() -> Chart:
    return make_chart("pearl", layout(), instrument="strip", count=918, seed=1, profile=pearl_profile())


def read(
    chart: Chart, *, noise: float = NOISE, seed: int = 1, condition: Condition | None = None
) -> Measurement:
    """The chart printed on the simulated pearl and read in order."""
    places, indices = zip(*chart.places(), strict=True)
    device = chart.codes[list(indices)] / 255
    lab = pearl_model().lab(device) + np.random.default_rng(seed).normal(0, noise, (len(device), 3))
    return measurement(
        device, lab, places=places, condition=condition or Condition(mode="M1", backing="white")
    )


def measurement(
    device: Floats, lab: Floats, *, places: Sequence[str] = (), condition: Condition | None = None
) -> Measurement:
    count = len(lab)
    return Measurement(
        ids=tuple(str(row + 1) for row in range(count)),
        places=tuple(places) or ("",) * count,
        lines=tuple(range(20, 20 + count)),
        space="RGB",
        device=np.asarray(device, dtype=np.float64),
        lab=np.asarray(lab, dtype=np.float64),
        given="lab",
        condition=condition or Condition(),
        source="read.txt",
    )


FIELDS = "SAMPLE_ID RGB_R RGB_G RGB_B LAB_L LAB_A LAB_B"


def rows() -> list[str]:
    """Eight corners of the device's cube with plausible colours."""
    lab = pearl_model().lab(np.array(list(product((0.0, 1.0), repeat=3))))
    return [
        f"{number} {r} {g} {b} {L:.2f} {a_:.2f} {b_:.2f}"
        for number, ((r, g, b), (L, a_, b_)) in enumerate(
            zip(product((0, 255), repeat=3), lab, strict=True), 1
        )
    ]


def text(
    *,
    head: Sequence[str] = ("ISO28178",),
    fields: str = FIELDS,
    data: Sequence[str] | None = None,
    sets: str = "",
    tail: str = "END_DATA",
) -> str:
    """A CGATS text; `sets`: what NUMBER_OF_SETS says, by itself the truth."""
    data = rows() if data is None else data
    lines = [*head, f"NUMBER_OF_FIELDS {len(fields.split())}", "BEGIN_DATA_FORMAT", fields, "END_DATA_FORMAT"]
    return "\n".join([*lines, f"NUMBER_OF_SETS {sets or len(data)}", "BEGIN_DATA", *data, tail, ""])
