"""The demonstration's charts as an instrument would have read them."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from drydown.demo.paper import pearl_model
from drydown.imaging.ink_model import SimulatedPrinter
from drydown.measuring.chart_points import chart_points
from drydown.measuring.measurement import Condition, Measurement
from drydown.measuring.writer import cgats_text

PATCHES: Final = 918
_AGAIN: Final = 6  # times that white, black and three greys are read


def demo_measurements(
    noise: float, seed: int, *, patches: int = PATCHES, model: SimulatedPrinter | None = None
) -> Measurement:
    """A chart of the pearl, or of another `model`, read with `noise`: the deviation of ΔE*ab over all three axes, 0.3 for a usual instrument.

    White, black and three greys stand on it several times, as on a printed one.
    """
    model = model or pearl_model()
    again = np.repeat(np.array([[255, 0, 64, 128, 192]]).T, 3, axis=1) / 255
    device = np.concatenate([chart_points(patches), np.tile(again, (_AGAIN - 1, 1))])
    Lab = model.lab(device) + np.random.default_rng(seed).normal(0, noise / np.sqrt(3), device.shape)
    names = tuple(str(row + 1) for row in range(len(device)))
    readings = Measurement(
        ids=names,
        places=("",) * len(device),
        lines=(0,) * len(device),
        space="RGB",
        device=device,
        lab=Lab,
        given="lab",
        condition=Condition(mode="M1", backing="white"),
        instrument="simulated",
        source="the demonstration's chart",
    )
    return replace(readings, text=cgats_text(readings).encode())
