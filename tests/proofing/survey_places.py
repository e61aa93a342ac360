"""How a first strip is laid when nothing is known of the picture: what the survey's places were worked out by.

`python -m tests.proofing.survey_places` prints them again. For other counts and other settings it lays the first strips of the tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from drydown.demo.paper import pearl_profile
from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import CC_PER_L, arithmetic, cure
from drydown.proofing.layout import COLUMNS, Values, laid_out
from drydown.proofing.prior import CAST_CC, CONTRAST, SMALL_CC, SMALL_L, TONE_L
from drydown.proofing.roles import INKS, Role

#: Mean ΔE00 squared over CC squared of a mixed region on a pearl paper, and over log contrast squared: for a strip laid before anything is known of
#: the picture. A strip laid for one stock serves all its pictures.
_TYPICAL_INKS: Final = np.array([[0.080, -0.003, -0.012], [-0.003, 0.093, -0.024], [-0.012, -0.024, 0.046]])
_TYPICAL_CONTRAST: Final = 900.0
_DRAWS: Final = 1500  # and as many opposite ones
_SEED: Final = 2
#: A first strip has to tell large errors apart; small ones are what the second is for.
_SMALL_ON_FIRST_STRIP: Final = 0.15


def first_strip(
    count: int,
    roles: Mapping[str, Role],
    base: Mapping[str, float],
    *,
    icc: bytes,
    hold_lightness: bool = False,
    spread: float = 1.0,
    columns: int = COLUMNS,
) -> list[Values]:
    """The patches of a first strip: `count` sets of values by key, the untouched recipe among them.

    `spread` scales how far they reach; 1 is for a stock of which nothing is known (casts to 22 CC, tones to 6.5 L*), 0.4 for one whose last
    verification passed. Ordered from dark to light in rows of `columns`, each row from cool to warm.
    """
    model = arithmetic(icc, {roles[key]: float(base[key]) for key in roles}, hold_lightness=hold_lightness)
    targets = cure(draws(_DRAWS, model.dimensions, _SEED) * spread)
    weights = np.full(len(targets), 1 / len(targets))
    return laid_out(count, model, typical_metric(model.dimensions), targets, weights, [], roles, columns)


def typical_metric(dimensions: int) -> Floats:
    metric = np.zeros((dimensions, dimensions))
    metric[:3, :3] = _TYPICAL_INKS
    if dimensions > 3:
        metric[3, 3] = _TYPICAL_CONTRAST
    return metric


def draws(count: int, dimensions: int, seed: int) -> Floats:
    """Errors (2 count, d) to lay a first strip for, each with its opposite: small and flat ones; the far ones are left to later strips."""
    random = np.random.default_rng(seed)
    small = random.random((count, 1)) < _SMALL_ON_FIRST_STRIP
    cast = np.where(
        small, random.normal(0, SMALL_CC, (count, 3)), random.uniform(-CAST_CC, CAST_CC, (count, 3))
    )
    tone = np.where(small, random.normal(0, SMALL_L, (count, 1)), random.uniform(-TONE_L, TONE_L, (count, 1)))
    errors = cast - CC_PER_L * tone
    if dimensions > 3:
        turn = random.normal(0, 1, (count, 1)) * np.where(small, CONTRAST[0], CONTRAST[1])
        errors = np.concatenate([errors, turn], axis=1)
    return np.concatenate([errors, -errors])


if __name__ == "__main__":
    roles: dict[str, Role] = {ink: ink for ink in (*INKS, "lift_L")}
    for patch in first_strip(25, roles, dict.fromkeys(roles, 0.0), icc=pearl_profile()):
        print(tuple(patch.values()))
