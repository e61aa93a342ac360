"""The demonstration's charts as an instrument would have read them."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from drydown.demo.paper import pearl_model
from drydown.imaging.ink_model import SimulatedPrinter
from drydown.measuring.chart_points import chart_points
from drydown.measuring.measurement import Condition, Measurement
from drydown.measuring.reference import Reference
from drydown.measuring.writer import cgats_text

PATCHES: Final = 918
_AGAIN: Final = 6  # times that white, black and three greys are read


def read_chart(
    chart: Reference, noise: float, seed: int, *, model: SimulatedPrinter | None = None
) -> Measurement:
    """A chart, printed by the pearl or another `model`, in M1 over white.

    `noise` is the deviation of a reading, ΔE*ab over all three axes: 0.3 for a usual hand-held instrument.
    """
    exact = (model or pearl_model()).lab(chart.device)
    readings = Measurement(
        ids=chart.ids,
        places=chart.places,
        lines=(0,) * len(chart.ids),
        space=chart.space,
        device=chart.device,
        lab=exact + np.random.default_rng(seed).normal(0, noise / np.sqrt(3), exact.shape),
        given="lab",
        condition=Condition(mode="M1", backing="white"),
        instrument="simulated",
        keywords={"CHART": chart.name} if chart.name else {},
        source="the demonstration's chart",
    )
    return replace(readings, text=cgats_text(readings).encode())


def demo_measurements(
    noise: float, seed: int, *, patches: int = PATCHES, model: SimulatedPrinter | None = None
) -> Measurement:
    """Readings of so many colours in no place and no order; white, black and three greys several times, as on a printed chart."""
    again = np.repeat(np.array([[255, 0, 64, 128, 192]]).T, 3, axis=1) / 255
    device = np.concatenate([chart_points(patches), np.tile(again, (_AGAIN - 1, 1))])
    names = tuple(str(row + 1) for row in range(len(device)))
    chart = Reference("", names, ("",) * len(device), "RGB", device, "the demonstration's chart")
    return read_chart(chart, noise, seed, model=model)
