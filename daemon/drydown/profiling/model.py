"""A printer as its chart shows it: the smooth model of all patches, how far each patch lies from what the others promise, and greys that never fall."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.imaging.printer_table import Forward, tabulate
from drydown.profiling.field import Field, fit, learn

#: Nodes along each channel at which the fit is sampled. On simulated printers with creased drivers a spline through so many is within ΔE00 0.12 at the 95th percentile.
NODES: Final = 33
_STEPS: Final = 257
_AT_ONCE: Final = 2  # fields worked on at the same time
_NEAR_GREY: Final = 0.1  # of a channel's range: how far from R = G = B a mended grey reaches


@dataclass(frozen=True, slots=True, eq=False)
class PrinterModel:
    """Three fitted functions, for L*, a* and b*."""

    fields: tuple[Field, Field, Field]

    def lab(self, device: Floats) -> Floats:
        """Absolute Lab (M, 3) of device values (M, 3); slow, so tabulate it."""
        with ThreadPoolExecutor(_AT_ONCE) as pool:  # numpy works outside the interpreter's lock
            return np.stack(list(pool.map(lambda field: field(device), self.fields)), axis=1)

    @property
    def left_out(self) -> Floats:
        """(N, 3): each reading less what the others promise for its device values."""
        return np.stack([field.left_out for field in self.fields], axis=1)

    @property
    def surprise(self) -> Floats:
        """(N,): the same in expected deviations, over the three, so that 1.5 is usual."""
        return np.asarray(
            np.sqrt(sum((field.left_out / field.left_out_deviation) ** 2 for field in self.fields))
        )

    @property
    def noise(self) -> float:
        """Deviation of a reading over all three axes that the fit found, ΔE*ab; what the model cannot follow counts as noise too."""
        return float(np.sqrt(sum(field.noise**2 for field in self.fields)))


def fit_model(
    device: Floats, Lab: Floats, readings: Floats, like: PrinterModel | None = None
) -> PrinterModel:
    """The model of patches `Lab` (N, 3), each the mean of `readings` (N,); `like` hands in what another fit has learned of smoothness."""

    def one(axis: int) -> Field:
        hyper = learn(device, Lab[:, axis]) if like is None else like.fields[axis].hyper
        return fit(device, Lab[:, axis], hyper, readings)

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        L_star, a_star, b_star = pool.map(one, range(3))
    return PrinterModel((L_star, a_star, b_star))


def rising(model: PrinterModel) -> tuple[Forward, float]:
    """The model, tabulated so that it is quick, with L* that never falls along R = G = B; and by how much L* had to be moved for that.

    Noise can turn the last, flat steps before black. What falls is replaced by the nearest curve that rises (pool adjacent violators), and the change dies out
    within a tenth of the range beside the greys, so that nothing gets a corner.
    """
    table = tabulate(model.lab, NODES)
    axis = np.linspace(0, 1, _STEPS)
    found = table.lab(np.repeat(axis[:, np.newaxis], 3, axis=1))[:, 0]
    change = _isotonic(found) - found
    if not np.abs(change).max() > 0:
        return table.lab, 0.0

    def forward(device: Floats) -> Floats:
        Lab, grey = table.lab(device), device.mean(axis=1)
        aside = ((device - grey[:, np.newaxis]) ** 2).sum(axis=1) / (2 * _NEAR_GREY**2)
        Lab[:, 0] += np.interp(grey, axis, change) * np.exp(-aside)
        return Lab

    return forward, float(np.abs(change).max())


def _isotonic(values: Floats) -> Floats:
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(values).x)
