"""From a wanted Lab to the device values that print it, or print what comes nearest.

A damped Gauss-Newton (Levenberg 1944, Marquardt 1963) over all targets at once, held inside the RGB cube. Inside the
gamut the answer is exact and the weights do not matter. Outside, the nearest print is taken, and nearest means what
the eye minds: a turned hue most, a changed lightness next, lost chroma least.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from drydown.imaging.pcs import Floats
from drydown.imaging.printer_table import DeviceTable, device_grid

_START_POINTS: Final = 17  # places an edge at which the search may begin
_MOST_ROUNDS: Final = 60
_STILL: Final = 2e-5  # a step this small in device units (a code and a bit of 16 bits) ends the search


@dataclass(frozen=True, slots=True)
class Nearness:
    """What a difference in each direction counts, squared. At a neutral target all three count alike."""

    lightness: float = 1.0
    chroma: float = 0.5
    hue: float = 3.0
    #: Chroma at which half of the difference between the weights has come in.
    half_way_chroma: float = 15.0


@dataclass(frozen=True, slots=True)
class Inverse:
    """What `invert` found."""

    device: Floats  # (N, 3), 0..1
    Lab: Floats  # (N, 3), what these device values print

    def distance(self, targets: Floats) -> Floats:
        """ΔE*ab (N,) between the print and what was wanted: 0 in gamut."""
        return np.asarray(np.linalg.norm(self.Lab - targets, axis=1))


def invert(table: DeviceTable, targets: Floats, nearness: Nearness | None = None) -> Inverse:
    """Device values whose print comes nearest to each target Lab (N, 3).

    A search that has not come to rest after 60 rounds keeps the best that it found.
    """
    root_weights = _root_weights(targets, nearness or Nearness())
    places = device_grid(_START_POINTS)  # many targets start at one place, which is worked out once
    printed = table.lab(places)
    begins = _starts(printed, targets, root_weights)
    device, Lab, slopes = places[begins], printed[begins], table.slopes(places)[begins]
    residual, cost = _residual(Lab, targets, root_weights)
    damping = np.full(len(targets), 1e-3)
    live = np.arange(len(targets))
    for _ in range(_MOST_ROUNDS):
        here, weights, wanted = device[live], root_weights[live], targets[live]
        step = _step(weights @ slopes, residual[live], here, damping[live])
        there = np.clip(here + step, 0, 1)
        new_Lab = table.lab(there)
        new_residual, new_cost = _residual(new_Lab, wanted, weights)
        better = new_cost <= cost[live]
        moved = np.abs(there - here).max(axis=1)
        taken = live[better]
        device[taken], Lab[taken] = there[better], new_Lab[better]
        residual[taken], cost[taken] = new_residual[better], new_cost[better]
        damping[live] = np.clip(damping[live] * np.where(better, 0.2, 8.0), 1e-9, 1e6)
        live = live[moved > _STILL]
        if not live.size:
            break
        slopes = table.slopes(device[live])
    return Inverse(device, Lab)


def _root_weights(targets: Floats, nearness: Nearness) -> Floats:
    """Matrices (N, 3, 3) that turn a Lab difference into its weighted lightness, chroma and hue parts."""
    chroma = np.hypot(targets[:, 1], targets[:, 2])
    share = chroma / (chroma + nearness.half_way_chroma)
    # At a neutral target hue has no direction; the weights are equal there, so any direction will do.
    safe = np.maximum(chroma, 1e-9)
    cos, sin = np.where(chroma > 1e-9, [targets[:, 1] / safe, targets[:, 2] / safe], [[1.0], [0.0]])
    along = np.sqrt(1 + (nearness.chroma - 1) * share)
    across = np.sqrt(1 + (nearness.hue - 1) * share)
    roots = np.zeros((len(targets), 3, 3))
    roots[:, 0, 0] = np.sqrt(nearness.lightness)
    roots[:, 1, 1], roots[:, 1, 2] = along * cos, along * sin
    roots[:, 2, 1], roots[:, 2, 2] = -across * sin, across * cos
    return roots


def _starts(printed: Floats, targets: Floats, root_weights: Floats) -> NDArray[np.intp]:
    """Of the places that print `printed` and are nearest in plain Lab, the one (N,) that is best by the weights."""
    _, near = cKDTree(printed).query(targets, k=8)
    differences = np.einsum("nij,nkj->nki", root_weights, printed[near] - targets[:, None])
    best = np.argmin((differences**2).sum(axis=2), axis=1)
    return np.asarray(near[np.arange(len(targets)), best])


def _residual(Lab: Floats, targets: Floats, root_weights: Floats) -> tuple[Floats, Floats]:
    """How far a print is from its targets by the weights, and that squared and summed."""
    residual = np.einsum("nij,nj->ni", root_weights, Lab - targets)
    return residual, (residual**2).sum(axis=1)


def _step(slopes: Floats, residual: Floats, device: Floats, damping: Floats) -> Floats:
    """The damped step; a channel that stands at its end and would be pushed beyond it is left out."""
    gradient = np.einsum("nij,ni->nj", slopes, residual)
    normal = np.einsum("nij,nik->njk", slopes, slopes)
    held = ((device <= 0) & (gradient > 0)) | ((device >= 1) & (gradient < 0))
    free = ~held
    normal = normal * (free[:, :, None] & free[:, None, :])
    diagonal = np.arange(3)
    # One scale for the three, so that a channel that does next to nothing here takes no leap.
    scale = normal[:, diagonal, diagonal].mean(axis=1, keepdims=True)
    normal[:, diagonal, diagonal] += np.where(held, 1.0, damping[:, None] * (scale + 1.0))
    step = np.linalg.solve(normal, -(gradient * free)[:, :, None])[:, :, 0]
    return np.asarray(step)
