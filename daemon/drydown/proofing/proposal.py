"""From what is believed of the printer's error to values that a person can take: rounded, with their uncertainty, and with what speaks against them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import cure, solve
from drydown.proofing.doubts import Doubts, doubts
from drydown.proofing.posterior import Posterior
from drydown.proofing.ranking import HONEST_NOISE_dE
from drydown.proofing.roles import INKS, STEP, Role, rounded
from drydown.proofing.words import certainty_in_words, change_in_words

#: Half the 80 % interval at which another strip is not worth its paper: 1.5 CC is about ΔE00 0.5, what an eye sees side by side.
SETTLED: Final[dict[Role, float]] = {
    "lift_L": 0.5,
    "contrast": 0.02,
    "cyan": 1.5,
    "magenta": 1.5,
    "yellow": 1.5,
}
#: A change that is expected to bring less than this (mean ΔE00 over the region) is not made: nobody would see it, and it may be wrong.
NOT_SEEN_dE: Final = HONEST_NOISE_dE
#: What is left after two strips is enough known when it is expected to be less than this: about what is just seen side by side (common practice, no source).
ENOUGH_dE: Final = 1.0
_TAILS: Final = (0.1, 0.9)
_COMMON_COSTS: Final = 1e-3
_MOST_MOVES: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Values by key, and what is known about them.

    `intervals`: 80 % of the belief lies between. `expected_dE` and `untouched_dE`: mean ΔE00 over the region from the wanted look, with these values and
    with the recipe as it stands. `settled`: another strip would tell nothing that an eye can see. `enough`: it is settled, or two strips have told what they can.
    `doubts`: what speaks against it.
    `words`: all of it in a few sentences.
    """

    values: Mapping[str, float]
    intervals: Mapping[str, tuple[float, float]]
    expected_dE: float
    untouched_dE: float
    settled: bool
    enough: bool
    changed: bool
    doubts: Doubts
    words: str


def propose(posterior: Posterior) -> Proposal:
    """The values that are expected to look best on this printer."""
    model, proof = posterior.arithmetic, posterior.proof
    roles, base = model.roles, np.array([model.base[role] for role in model.roles])
    wanted = base + model.laid(solve(model.directions(), posterior.looks.metric, cure(posterior.errors)))
    intervals = {role: _interval(wanted[:, k], posterior.weights) for k, role in enumerate(roles)}
    best = _best(posterior, posterior.weights @ wanted)
    untouched_dE = posterior.expected_dE(np.zeros(model.dimensions))
    expected_dE = posterior.expected_dE(model.place(best))
    against = doubts(posterior)
    if _untouched_is_best(posterior):
        why = "the untouched recipe was named best: nothing changes"
    elif untouched_dE - expected_dE < NOT_SEEN_dE:
        why = f"no change is expected to be seen (it would gain ΔE00 {max(untouched_dE - expected_dE, 0):.1f}): the recipe stays as it is"
    else:
        why = ""
    if why:
        best, expected_dE = dict(model.base), untouched_dE
    narrow = all((high - low) / 2 <= SETTLED[role] for role, (low, high) in intervals.items())
    settled = narrow and not against
    enough = settled or (len(posterior.strips) > 1 and expected_dE <= ENOUGH_dE and not against)
    words = [
        why or change_in_words(best, model.base),
        certainty_in_words(intervals, settled=settled, enough=enough, stays=bool(why)),
        *against,
    ]
    return Proposal(
        values={key: best[role] for key, role in proof.roles.items()},
        intervals={key: intervals[role] for key, role in proof.roles.items()},
        expected_dE=expected_dE,
        untouched_dE=untouched_dE,
        settled=settled,
        enough=enough,
        changed=best != dict(model.base),
        doubts=against,
        words=". ".join(sentence[0].upper() + sentence[1:] for sentence in words) + ".",
    )


def _best(posterior: Posterior, start: Floats) -> dict[Role, float]:
    """Values in whole steps that are expected to look best: from the rounded mean, one step at a time while it helps."""
    model = posterior.arithmetic
    current = {
        role: _stepped(role, float(value), model.base[role])
        for role, value in zip(model.roles, start, strict=True)
    }
    cost = _cost(posterior, current)
    for _ in range(_MOST_MOVES):
        trials = [
            {**current, role: rounded(role, current[role] + sign * STEP[role])}
            for role in model.roles
            for sign in (1, -1)
        ]
        costs = [_cost(posterior, trial) for trial in trials]
        at = int(np.argmin(costs))
        if costs[at] >= cost:
            break
        current, cost = trials[at], costs[at]
    return current


def _stepped(role: Role, value: float, base: float) -> float:
    """A value in whole steps; the base itself, which may lie between steps, where it is not to move by half a step."""
    return base if abs(value - base) < STEP[role] / 2 else rounded(role, value)


def _cost(posterior: Posterior, values: Mapping[Role, float]) -> float:
    """Expected distance, and a trifle for a common part of the inks where the lift could say the same."""
    model = posterior.arithmetic
    common = 0.0
    if model.common_is_free:
        shares = model.response.shares
        common = sum(s * (values[ink] - model.base[ink]) for s, ink in zip(shares, INKS, strict=True))
    return posterior.expected_dE(model.place(values)) + _COMMON_COSTS * abs(common)


def _interval(values: Floats, weights: Floats) -> tuple[float, float]:
    order = np.argsort(values)
    below = np.cumsum(weights[order]) - weights[order] / 2
    low, high = np.interp(_TAILS, below, values[order])
    return float(low), float(high)


def _untouched_is_best(posterior: Posterior) -> bool:
    newest = posterior.strips[-1]
    best = posterior.proof.by_role(newest.patches[newest.ranking[0]])
    base = posterior.arithmetic.base
    return all(abs(value - base[role]) < 1e-9 for role, value in best.items())
