"""Any forward model of a printer, sampled once and then evaluated smoothly and fast.

A model may be a simulation or a fit to a measured chart, and slow. Inversion asks for values and slopes a dozen times
at tens of thousands of places, so the model is tabulated on an even grid and read through a cubic spline.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.interpolate import NdBSpline, make_interp_spline

from drydown.imaging.pcs import Floats

#: Points an edge that keep the simulated printers within 0.05 ΔE*ab of the model.
TABLE_POINTS: Final = 33
#: Device RGB (N, 3) in 0..1 to CIELAB (N, 3).
Forward = Callable[[Floats], Floats]


def device_grid(points: int) -> Floats:
    """All points**3 places (N, 3) of an even grid over the RGB cube, the last channel changing fastest."""
    axis = np.linspace(0, 1, points)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)


@dataclass(frozen=True, slots=True)
class DeviceTable:
    """A cubic spline through the model's values on a grid of the RGB cube."""

    spline: NdBSpline

    def lab(self, device: Floats) -> Floats:
        """Lab (N, 3) at device values (N, 3) in 0..1."""
        return np.asarray(self.spline(device))

    def slopes(self, device: Floats) -> Floats:
        """Partial derivatives (N, 3, 3): [point, L* a* b*, R G B]."""
        along = [self.spline(device, nu=nu) for nu in ((1, 0, 0), (0, 1, 0), (0, 0, 1))]
        return np.stack(along, axis=-1)


def tabulate(forward: Forward, points: int = TABLE_POINTS) -> DeviceTable:
    """Sample `forward` at points**3 places."""
    return through(forward(device_grid(points)))


def through(sampled: Floats) -> DeviceTable:
    """The table of a model that prints `sampled` (points**3, 3) at the places of `device_grid`."""
    points = round(len(sampled) ** (1 / 3))
    axis, coefficients = np.linspace(0, 1, points), sampled.reshape(points, points, points, 3)
    for direction in range(3):
        fitted = make_interp_spline(axis, coefficients, k=3, axis=direction)
        coefficients = np.moveaxis(fitted.c, 0, direction)
    return DeviceTable(NdBSpline((fitted.t,) * 3, np.ascontiguousarray(coefficients), 3))
