"""How far a print lies from the wanted look, at any place: worked out once for a region of a picture, then only looked up.

The wanted look is what the profile promises for the recipe as it stands. For a grid of places (see `arithmetic`) the samples of the region are
shifted, taken to Lab by the profile, and their mean ΔE00 from the wanted look is kept. What is kept is not the distance itself but its ratio to
a plain quadratic norm: near the wanted look the distance has a corner, the ratio hardly any, so that straight lines between the nodes
come within 0.02 on average.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.neutral import CODES, MID_L, NeutralResponse, neutral_response
from drydown.imaging.pcs import Floats
from drydown.imaging.tone import cc_shift

#: Points an axis at which the profile is read; between them the look goes in straight lines.
_PROFILE_POINTS: Final = 25
_CURVE_POINTS: Final = 2049
#: Nodes along each ink: dense about the wanted look, where small differences count. Beyond the reach the ratio stays what it is at the end.
_REACH_CC: Final = 60.0
_REACH_LOG: Final = 0.45
_WARP: Final = 2.6
#: (nodes an ink, nodes of contrast, samples) without and with contrast: both take a few tenths of a second.
_PLAIN: Final = (19, 0, 64)
_WITH_CONTRAST: Final = (13, 7, 36)
#: A region that changes by less than this per CC shows no cast.
_LEAST_dE_PER_CC: Final = 0.02
_FARTHEST: Final = 1e-6  # from black and white, as a share of the way: the logit has no ends


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Device values (..., 3) in 0..1 to logits on the channels' own neutral curves, and back."""

    response: NeutralResponse
    codes: Floats  # (n,)
    t: Floats  # (n, 3), the share of the way from black to white

    @property
    def middle(self) -> float:
        """The logit of L* 50."""
        place = self.response.place(MID_L)
        return float(np.log(place / (1 - place)))

    def logit(self, device: Floats) -> Floats:
        t = np.stack([np.interp(device[..., k], self.codes, self.t[:, k]) for k in range(3)], axis=-1)
        t = np.clip(t, _FARTHEST, 1 - _FARTHEST)
        return np.asarray(np.log(t / (1 - t)))

    def device(self, logit: Floats) -> Floats:
        t = 1 / (1 + np.exp(-logit))
        return np.stack([np.interp(t[..., k], self.t[:, k], self.codes) for k in range(3)], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """The distance from the wanted look, at any place.

    `ratio`: distance over norm at the nodes, (n, n, n) or (n, n, n, m). `metric` (d, d): distance squared is about place · metric · place.
    """

    ratio: Floats
    metric: Floats

    @property
    def dimensions(self) -> int:
        return int(self.ratio.ndim)

    def distance(self, places: Floats) -> Floats:
        """Mean ΔE00 over the region (...) at places (..., d)."""
        cells, shares = [], []
        for axis, count in enumerate(self.ratio.shape):
            at = _index(places[..., axis], count, _REACH_LOG if axis > 2 else _REACH_CC)
            cell = at.astype(np.int64)
            cells.append(cell)
            shares.append(at - cell)
        flat, strides = self.ratio.ravel(), np.array(self.ratio.strides) // self.ratio.itemsize
        corner = sum(cell * stride for cell, stride in zip(cells, strides, strict=True))
        weights: list[Floats | float] = [1.0]
        for share in shares:
            ends = 1 - share, share
            weights = [weight * end for weight in weights for end in ends]
        ratio = np.zeros(places.shape[:-1])
        for up, weight in zip(product((0, 1), repeat=len(cells)), weights, strict=True):
            ratio += weight * flat[int(strides @ np.array(up)) :].take(corner)
        rooted = places @ np.linalg.cholesky(self.metric)
        return np.asarray(ratio * np.sqrt(sum(rooted[..., axis] ** 2 for axis in range(self.dimensions))))


def looks(
    icc: bytes, device: Floats, *, contrast: float, excess_cc: Floats, turns_contrast: bool = False
) -> Looks:
    """The looks of a region on a stock.

    `device` (N, 3), 0..1: samples of the region. `contrast` and `excess_cc` (3,): what the recipe still does to them to reach the wanted look.
    """
    nodes, turns, count = _WITH_CONTRAST if turns_contrast else _PLAIN
    response = neutral_response(icc, channels=3)
    curves, per_cc = curves_of(response), cc_shift(response)
    samples = device[np.linspace(0, len(device) - 1, min(count, len(device))).round().astype(int)]
    from_middle = contrast * (curves.logit(samples) - curves.middle) - per_cc * excess_cc
    wanted = device_to_lab(icc, curves.device(curves.middle + from_middle))
    grid = _profile_grid(icc)
    shifts = per_cc * _nodes(nodes, _REACH_CC)
    ratios = np.exp(_nodes(turns, _REACH_LOG)) if turns_contrast else np.ones(1)
    total = np.zeros((nodes, nodes, nodes, len(ratios)))
    for x, Lab in zip(from_middle, wanted, strict=True):
        for k, turn in enumerate(ratios):
            device_at = curves.device(curves.middle + turn * x - shifts[:, np.newaxis])
            total[..., k] += ciede2000(_block(grid, device_at), Lab)
    distance = total / len(samples)
    return _as_ratio(distance if turns_contrast else distance[..., 0])


def exact_distance(
    icc: bytes, device: Floats, *, contrast: float, excess_cc: Floats, places: Floats
) -> Floats:
    """What `Looks.distance` stands for, worked out for every sample at every place (P, d): slow, for tests."""
    response = neutral_response(icc, channels=3)
    curves, per_cc = curves_of(response), cc_shift(response)
    from_middle = contrast * (curves.logit(device) - curves.middle) - per_cc * excess_cc
    wanted = device_to_lab(icc, curves.device(curves.middle + from_middle))
    out = []
    for place in places:
        turn = np.exp(place[3]) if len(place) > 3 else 1.0
        shown = curves.device(curves.middle + turn * from_middle - per_cc * place[:3])
        out.append(ciede2000(device_to_lab(icc, shown), wanted).mean())
    return np.array(out)


def _as_ratio(distance: Floats) -> Looks:
    """Distances at the nodes as ratios to the norm that fits them about the middle."""
    count = distance.shape
    axes = [_nodes(n, _REACH_LOG if axis > 2 else _REACH_CC) for axis, n in enumerate(count)]
    middle = tuple(n // 2 for n in count)
    metric = _metric(distance, middle, np.array([a[n // 2 + 1] for a, n in zip(axes, count, strict=True)]))
    places = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    norm = np.linalg.norm(places @ np.linalg.cholesky(metric), axis=-1)
    norm[middle] = 1.0
    ratio = distance / norm
    ratio[middle] = 1.0
    return Looks(ratio, metric)


def _metric(distance: Floats, middle: tuple[int, ...], step: Floats) -> Floats:
    """The quadratic form (d, d) through the nodes next to the middle, by central differences."""
    size, squared = len(middle), distance**2

    def at(move: Floats) -> float:
        ends = [tuple(np.array(middle) + sign * move) for sign in (1, -1)]
        return float(np.mean([squared[end] for end in ends]))

    unit = np.eye(size, dtype=np.int64)
    form = np.diag([at(unit[i]) / step[i] ** 2 for i in range(size)])
    for i in range(size):
        for j in range(i):
            crossed = (at(unit[i] + unit[j]) - at(unit[i] - unit[j])) / (4 * step[i] * step[j])
            form[i, j] = form[j, i] = crossed
    values, vectors = np.linalg.eigh(form)
    if values[-1] < _LEAST_dE_PER_CC**2:
        raise ValueError(
            "no cast can be seen in this region: it is bare paper, solid black or pure colour; proof a region with mid-tones"
        )
    # a region of one flat colour can leave a direction in which nothing changes
    return np.asarray((vectors * np.maximum(values, values[-1] * 1e-4)) @ vectors.T)


def _nodes(count: int, reach: float) -> Floats:
    return np.asarray(reach * np.sinh(_WARP * np.linspace(-1, 1, count)) / np.sinh(_WARP))


def _index(at: Floats, count: int, reach: float) -> Floats:
    """Where among the nodes a place lies, as a fraction of whole nodes."""
    along = np.arcsinh(at * (np.sinh(_WARP) / reach)) / _WARP
    return np.asarray(np.clip((along + 1) * ((count - 1) / 2), 0, count - 1 - 1e-9))


def curves_of(response: NeutralResponse) -> Curves:
    """The curves of a profile's response."""
    at = np.linspace(0, CODES - 1, _CURVE_POINTS).round().astype(int)
    t = (response.L_star[at] - response.black_L) / (response.white_L - response.black_L)
    return Curves(response, at / (CODES - 1), t)


def _profile_grid(icc: bytes) -> Floats:
    axis = np.linspace(0, 1, _PROFILE_POINTS)
    mesh = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    return device_to_lab(icc, mesh.reshape(-1, 3)).reshape(mesh.shape)


def _block(grid: Floats, device: Floats) -> Floats:
    """Lab (n, n, n, 3) of every combination of three channels' values (n, 3): three small products instead of a look-up for each."""
    red, green, blue = (_weights(device[:, k]) for k in range(3))
    return np.asarray(np.einsum("ia,jb,kc,abcl->ijkl", red, green, blue, grid, optimize=True))


def _weights(values: Floats) -> Floats:
    """Values (n,) in 0..1 as weights (n, points) of a line through the points."""
    at = values * (_PROFILE_POINTS - 1)
    cell = np.minimum(at.astype(np.int64), _PROFILE_POINTS - 2)
    weights = np.zeros((len(values), _PROFILE_POINTS))
    rows = np.arange(len(values))
    weights[rows, cell], weights[rows, cell + 1] = 1 - (at - cell), at - cell
    return weights
