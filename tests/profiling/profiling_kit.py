"""Charts of the demonstration's pearl as they were read, with places, for tests that spoil them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from drydown.demo.measurements import demo_measurements
from drydown.imaging.chart_layout import row_name
from drydown.measuring.measurement import Measurement

ROW = 18  # patches in a row


@cache
def chart(patches: int = 216, noise: float = 0.3) -> Measurement:
    """In an order as random as a printed chart's, 18 patches a row, places such as 1B12."""
    read = demo_measurements(noise, 3, patches=patches)
    read = read.of(np.random.default_rng(8).permutation(len(read))[: len(read) // ROW * ROW])
    places = tuple(f"1{row_name(n // ROW)}{n % ROW + 1}" for n in range(len(read)))
    return replace(read, places=places)


def spoiled(read: Measurement, rows: slice, Lab: tuple[float, float, float] | None = None) -> Measurement:
    """With these readings turned round among themselves, or all one colour."""
    lab = read.lab.copy()
    lab[rows] = lab[rows][::-1] if Lab is None else Lab
    return replace(read, lab=lab)
