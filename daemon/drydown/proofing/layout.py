"""Where the patches of a strip are laid, so that a ranking of them tells most.

The best three of a strip say in which of its cells the answer lies, and cells tell most when each holds as much of what is believed as any other.
So patches are the centres of equal shares of belief (Lloyd 1982), in a space where distance is what the eye sees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, log
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import Arithmetic, cure, solve
from drydown.proofing.posterior import Posterior
from drydown.proofing.roles import Role, rounded

Values = dict[str, float]

_SEED: Final = 2
_ROUNDS: Final = 16
#: Patches reach this much farther than what is believed, and at least so far (ΔE00, an axis) that an eye can tell them apart.
_WIDER: Final = 1.2
_LEAST_dE: Final = 0.6
_WIDEN: Final = 1.25
_TRIES: Final = 12
COLUMNS: Final = 5


def next_strip(posterior: Posterior, count: int, *, columns: int = COLUMNS) -> list[Values]:
    """The patches that split what is still open; the untouched recipe and the newest strip's winner are always among them."""
    model, metric = posterior.arithmetic, posterior.looks.metric
    middle, left = cure(posterior.mean[np.newaxis]), cure(posterior.errors)
    spread_dE = float(np.sqrt(np.trace(metric @ posterior.covariance) / model.dimensions))
    targets = middle + (left - middle) * np.hypot(_WIDER, _LEAST_dE / max(spread_dE, 1e-3))
    newest = posterior.strips[-1]
    winner = {**model.base, **posterior.proof.by_role(newest.patches[newest.ranking[0]])}
    return laid_out(
        count, model, metric, targets, posterior.weights, [winner], posterior.proof.roles, columns
    )


def halved(
    patches: Sequence[Mapping[str, float]],
    centre: Mapping[str, float],
    picked: Mapping[str, float],
    *,
    roles: Mapping[str, Role] | None = None,
) -> list[Values]:
    """The strip after a plain pick: the same pattern with half the steps, about the patch that was picked.

    Works for any numeric setting; the steps of contrast (by its role) are halved in the logarithm. Values with a role are laid in the steps of
    a proposal, within its limits; patches that become the same are laid once.
    """
    out: list[Values] = []
    for patch in patches:
        values = {
            key: _half_step(patch[key], centre[key], picked[key], (roles or {}).get(key)) for key in picked
        }
        if values not in out:
            out.append(values)
    return out


def _half_step(patch: float, centre: float, picked: float, role: Role | None) -> float:
    if patch == centre:
        return picked
    if role == "contrast":
        value = picked * exp((log(patch) - log(centre)) / 2)
    else:
        value = picked + (patch - centre) / 2
    return round(value, 6) if role is None else rounded(role, value)


def laid_out(
    count: int,
    model: Arithmetic,
    metric: Floats,
    targets: Floats,
    weights: Floats,
    kept: Sequence[Mapping[Role, float]],
    roles: Mapping[str, Role],
    columns: int,
) -> list[Values]:
    """Centres of the belief in the varied settings, as values in the steps of a proposal, all different."""
    if count < 2:
        raise ValueError(f"{count} patches make no strip; lay at least two")
    directions, base = model.directions(), np.array([model.base[role] for role in model.roles])
    wanted = model.laid(solve(directions, metric, targets))
    fixed = list(dict.fromkeys(tuple(one[role] for role in model.roles) for one in (model.base, *kept)))
    held = np.array(fixed) - base
    middle = weights @ wanted
    to_eye = directions.T @ np.linalg.cholesky(metric)
    chosen: dict[tuple[float, ...], None] = {}
    for attempt in range(_TRIES):
        # narrow beliefs can round to fewer values than there are patches: then reach farther
        moved = middle + (wanted - middle) * _WIDEN**attempt
        centres = _centres(moved, weights, held, to_eye, max(count - len(held), 0))
        chosen = dict.fromkeys((*fixed, *(_in_steps(point, base, model.roles) for point in centres)))
        if len(chosen) >= count:
            break
    points = _in_order(list(chosen)[:count], model, columns)
    return [{key: point[model.roles.index(role)] for key, role in roles.items()} for point in points]


def _in_steps(change: Floats, base: Floats, roles: Sequence[Role]) -> tuple[float, ...]:
    """Base plus change in whole steps."""
    return tuple(rounded(role, at + by) for role, at, by in zip(roles, base, change, strict=True))


def _centres(points: Floats, weights: Floats, held: Floats, to_eye: Floats, count: int) -> Floats:
    """`count` weighted k-means centres of points (n, roles) beside those that are held, distances counted by the eye."""
    random = np.random.default_rng(_SEED)
    centres = points[random.choice(len(points), count, replace=False, p=weights)]
    seen = points @ to_eye
    squares = (seen**2).sum(axis=1)[:, np.newaxis]
    for _ in range(_ROUNDS):
        at = np.concatenate([held, centres]) @ to_eye
        nearest = (squares - 2 * seen @ at.T + (at**2).sum(axis=1)).argmin(axis=1)
        share = np.bincount(nearest, weights, len(at))[len(held) :]
        sums = np.stack(
            [np.bincount(nearest, weights * column, len(at))[len(held) :] for column in points.T], axis=1
        )
        centres = np.where(share[:, np.newaxis] > 0, sums / np.maximum(share, 1e-300)[:, np.newaxis], centres)
    return np.asarray(centres)


def _in_order(points: list[tuple[float, ...]], model: Arithmetic, columns: int) -> list[tuple[float, ...]]:
    """From dark to light, and in each row from cool to warm: neighbours on the sheet differ little, so that the eye finds its way."""
    if len(model.roles) == 1:
        return sorted(points)
    places = {point: model.place(dict(zip(model.roles, point, strict=True))) for point in points}
    by_light = sorted(points, key=lambda p: (-float(places[p][:3] @ np.array(model.response.shares)), p))
    rows = [by_light[at : at + columns] for at in range(0, len(by_light), columns)]
    return [p for row in rows for p in sorted(row, key=lambda p: (float(places[p][2] - places[p][0]), p))]
