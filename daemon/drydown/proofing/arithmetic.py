"""What settings do to a print, as numbers that add: contrast, and the excess of each ink.

Tone and balance are shifts on one curve (imaging/tone.py). So a lift and a cast are together three numbers and not four: how much of each ink
the print has more than asked for. They are counted in CC and called the *excess*; a lift is the same amount of all three, with its sign turned.
A *place* is such a triple relative to the recipe as it stands, and, where contrast is varied, the logarithm of contrast as a fourth number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.neutral import NeutralResponse, neutral_response
from drydown.imaging.pcs import Floats
from drydown.imaging.tone import cc_shift, laid_down, lift_shift
from drydown.proofing.roles import INKS, Role

#: One L* of lift about mid-grey is this many CC of all three inks: 10 CC darken L* 50 by a density of 0.10, which is L* 45.10 (CIE 15:2004).
CC_PER_L: Final = 10 / (50 - (116 * ((66 / 116) ** 3 * 10**-0.1) ** (1 / 3) - 16))
_SECANT_L: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arithmetic:
    """The adjustments on one profile, about one recipe. `base` holds the recipe's value of every role that is varied."""

    response: NeutralResponse
    base: Mapping[Role, float]
    hold_lightness: bool = False

    @property
    def roles(self) -> tuple[Role, ...]:
        return tuple(self.base)

    @property
    def cc_shift(self) -> float:
        """The shift of a channel's logit that is one CC."""
        return cc_shift(self.response)

    @property
    def turns_contrast(self) -> bool:
        return "contrast" in self.base

    @property
    def dimensions(self) -> int:
        return 4 if self.turns_contrast else 3

    def excess(self, values: Mapping[Role, float]) -> Floats:
        """The ink (3,) in CC that these values add to a print made with every one of them at its identity."""
        cyan, magenta, yellow = (values.get(ink, 0.0) for ink in INKS)
        inks = (cyan, magenta, yellow)
        if self.hold_lightness:
            inks = laid_down(self.response, inks)
        lift = lift_shift(self.response, values.get("lift_L", 0.0)) / cc_shift(self.response)
        return np.array(inks) - lift

    def place(self, values: Mapping[Role, float]) -> Floats:
        """Values as a place (3,) or (4,) relative to the base; a role left out stands at its base."""
        full = {**self.base, **values}
        ratio = full.get("contrast", 1.0) / self.base.get("contrast", 1.0)
        inks = self.excess(full) - ratio * self.excess(self.base)
        return np.append(inks, np.log(ratio)) if self.turns_contrast else inks

    def directions(self) -> Floats:
        """(dimensions, roles): how the place moves by one unit of each role, about the base.

        Where lift and all three inks are varied they say one thing twice. Then the inks are taken without their common part, which is left
        to the lift; `laid` does the same to their values.
        """
        columns = [self._direction(role) for role in self.roles]
        return np.stack(columns, axis=1)

    def laid(self, values: Floats) -> Floats:
        """Changes of value (..., roles) with the common part of the three inks taken out, where it says nothing of its own."""
        if not self.common_is_free:
            return values
        at = [self.roles.index(ink) for ink in INKS]
        out = np.array(values, dtype=np.float64)
        out[..., at] -= (out[..., at] @ np.array(self.response.shares))[..., np.newaxis]
        return out

    @property
    def common_is_free(self) -> bool:
        """Whether the common part of the three inks can be chosen freely."""
        return set(INKS) <= set(self.base) and ("lift_L" in self.base or self.hold_lightness)

    def _direction(self, role: Role) -> Floats:
        at = self.base[role]
        if role == "contrast":
            return np.array([0.0, 0.0, 0.0, 1 / at])
        if role == "lift_L":
            step = _SECANT_L
            above, below = (lift_shift(self.response, L) for L in (at + step, at - step))
            inks = np.full(3, (below - above) / (2 * step) / cc_shift(self.response))
        else:
            inks = np.array([1.0 if ink == role else 0.0 for ink in INKS])
            if self.hold_lightness or self.common_is_free:
                inks = inks - self.response.shares[INKS.index(role)]
        return np.append(inks, 0.0) if self.turns_contrast else inks


def arithmetic(icc: bytes, base: Mapping[Role, float], *, hold_lightness: bool = False) -> Arithmetic:
    """The arithmetic on a stock's profile. Raises `Hold` where the profile has no greys to count on."""
    return Arithmetic(
        response=neutral_response(icc, channels=3), base=dict(base), hold_lightness=hold_lightness
    )


def together(places: Floats, errors: Floats) -> Floats:
    """Places (P, d) as they come out on printers with these errors (H, d): (H, P, d). An error's contrast stretches the place's excess."""
    # each number of the place lies together in memory, because that is how distances are worked out
    total = np.moveaxis(errors.T[:, :, np.newaxis] + places.T[:, np.newaxis, :], 0, -1)
    if places.shape[1] > 3:
        stretch = np.exp(errors[:, 3]) - 1
        total[..., :3] += stretch[:, np.newaxis, np.newaxis] * places[np.newaxis, :, :3]
    return np.asarray(total)


def cure(errors: Floats) -> Floats:
    """The places (H, d) that would cancel these errors (H, d)."""
    out = -np.asarray(errors)
    if out.shape[1] > 3:
        out[:, :3] *= np.exp(-errors[:, 3:])
    return out


def solve(directions: Floats, metric: Floats, places: Floats) -> Floats:
    """Changes of value (N, roles) that come nearest to places (N, d), distances counted in `metric` (d, d)."""
    root = np.linalg.cholesky(metric).T
    return np.asarray(places @ (np.linalg.pinv(root @ directions, rcond=1e-6) @ root).T)
