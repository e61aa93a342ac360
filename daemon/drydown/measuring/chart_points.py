"""Which device values a chart holds: greys, ramps of the primaries, a cube, and the rest where the profile curves most. Whole numbers 0 to 255."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.pcs import Floats

Codes = NDArray[np.int64]  #: (N, 3) in 0..255: 8-bit steps, so that no way of handing them on can round them
Forward = Callable[[Floats], Floats]  #: device (N, 3) in 0..1 to Lab (N, 3)

FULL: Final = 255
LEAST_PATCHES: Final = 60
_DARK_FIFTH: Final = 51
_CANDIDATES: Final = 6000
_STEP: Final = 1 / 16  # of the device's range: the width over which curvature is judged


def chart_points(n: int, *, profile: bytes | None = None, seed: int = 1) -> Floats:
    """(n, 3) different device values in 0..1, each a multiple of 1/255: corners, greys (dense in the darkest fifth), six ramps, a cube.

    Half or less is the even cube; what is left goes where the stock's `profile` curves most, away from points that are there
    already; without a profile it fills the space evenly. Raises ValueError below `LEAST_PATCHES`.
    """
    forward = None if profile is None else partial(device_to_lab, profile)
    return np.asarray(_codes(n, seed, forward) / FULL)


def _codes(count: int, seed: int, forward: Forward | None) -> Codes:
    if count < LEAST_PATCHES:
        raise ValueError(f"a chart of {count} patches says too little; take {LEAST_PATCHES} or more")
    share = max(9, round(count * 0.05))
    fixed = np.concatenate([_corners(), _greys(share), _ramps(max(4, share // 4)), _cube(count)])
    fixed = np.unique(fixed, axis=0)
    if len(fixed) > count:  # a small chart: corners and repeated ones stay, the rest thins out evenly
        kept = np.unique(np.concatenate([_corners(), _greys(9)]), axis=0)
        return _spread(kept, fixed, np.ones(len(fixed)), count)
    random = np.random.default_rng(seed).integers(0, FULL + 1, (_CANDIDATES, 3))
    candidates = np.unique(random, axis=0)
    return _spread(fixed, candidates, _curvature(candidates, forward), count)


def _corners() -> Codes:
    return np.array([[r, g, b] for r in (0, FULL) for g in (0, FULL) for b in (0, FULL)])


def _greys(count: int) -> Codes:
    """R = G = B, a third of them in the darkest fifth."""
    dark = max(3, count // 3)
    values = np.concatenate([np.linspace(0, _DARK_FIFTH, dark), np.linspace(_DARK_FIFTH, FULL, count - dark)])
    return np.repeat(np.rint(values).astype(np.int64)[:, np.newaxis], 3, axis=1)


def _ramps(count: int) -> Codes:
    """From white to each of the six full colours, and from there to black."""
    part = np.rint(np.linspace(0, FULL, count + 2)[1:-1]).astype(np.int64)
    rows = []
    for corner in _corners()[1:-1]:
        lit = corner == FULL
        rows.append(np.where(lit, FULL, part[:, np.newaxis]))
        rows.append(np.where(lit, part[:, np.newaxis], 0))
    return np.concatenate(rows)


def _cube(count: int) -> Codes:
    """An even cube of at most half the patches."""
    side = max(3, int((count / 2) ** (1 / 3) + 1e-9))
    steps = np.rint(np.linspace(0, FULL, side)).astype(np.int64)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


def _curvature(codes: Codes, forward: Forward | None) -> Floats:
    """How much Lab bends there: second differences along the three channels, as a share of the most, 0.15 at least."""
    if forward is None:
        return np.ones(len(codes))
    middle = np.clip(codes / FULL, _STEP, 1 - _STEP)
    here = forward(middle)
    bend = np.zeros(len(codes))
    for channel in range(3):
        step = np.zeros(3)
        step[channel] = _STEP
        bend += np.linalg.norm(forward(middle + step) - 2 * here + forward(middle - step), axis=1)
    return np.asarray(np.maximum(bend / np.percentile(bend, 98), 0.15).clip(max=1.0))


def _spread(kept: Codes, candidates: Codes, weight: Floats, count: int) -> Codes:
    """Add candidates one by one, each time the one that is farthest from all others, distance weighed by the root of its curvature."""
    chosen = [tuple(row) for row in kept]
    away = np.full(len(candidates), np.inf)
    for point in kept:
        away = np.minimum(away, np.linalg.norm(candidates - point, axis=1))
    pull = np.sqrt(weight)
    while len(chosen) < count:
        best = int(np.argmax(away * pull))
        chosen.append(tuple(candidates[best]))
        away = np.minimum(away, np.linalg.norm(candidates - candidates[best], axis=1))
    return np.array(chosen, dtype=np.int64)
