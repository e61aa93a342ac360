"""What speaks against a ranking: that it contradicts itself, or that no cast explains it.

A good eye errs by its noise, so named patches may lie a little farther from the wanted look than others. Where even the error that explains them
best needs more than that, something else is the matter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import together
from drydown.proofing.posterior import Posterior, infer
from drydown.proofing.prior import CAST_CC, TONE_L, beyond_a_cast
from drydown.proofing.ranking import HONEST_NOISE_dE

NOT_A_CAST: Final = "this is not a cast; the profile is not this paper and ink: verify or rebuild it"
#: A patch that is expected to lie nearer than this to the wanted look, and still looks wrong, has a fault that no setting mends.
RESIDUAL_dE: Final = 1.0
#: A patch that lies farther than this from the wanted look is called wrong by an honest eye: three times its noise.
CALLED_WRONG_dE: Final = 3 * HONEST_NOISE_dE
#: When a mere cast would leave strips without one right patch less often than this, it is not believed to be one.
SELDOM: Final = 0.2
_BEYOND_ANY_SETTING: Final = (
    "Colours that differ by hue, by depth or from shadow to light are what no setting here can mend"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """Sentences, lower case and without full stop; empty where there is no doubt."""

    contradictions: tuple[str, ...] = ()  #: of one strip's ranking with itself: look again
    not_a_cast: tuple[
        str, ...
    ] = ()  #: no tone and no balance explains what was named: the profile is at fault

    def __bool__(self) -> bool:
        return bool(self.contradictions or self.not_a_cast)

    def __iter__(self) -> Iterator[str]:
        return chain(self.contradictions, self.not_a_cast)


def doubts(posterior: Posterior) -> Doubts:
    """Everything that speaks against what was named."""
    against_themselves: list[str] = []
    no_cast: list[str] = []
    if posterior.misfit_dE() > HONEST_NOISE_dE:
        against_themselves = [*_contradictions(posterior)]
        if not against_themselves:
            no_cast.append(
                f"each strip alone is explained by a cast, but no one cast explains them all: if it stays so when you look again, {NOT_A_CAST}"
            )
    if float(posterior.weights @ beyond_a_cast(posterior.errors[:, :3])) > 0.5:
        no_cast.append(
            f"only an error beyond {CAST_CC:g} CC and {TONE_L:g} L* explains the ranking: {NOT_A_CAST}"
        )
    newest = posterior.strips[-1]
    if newest.still_off and posterior.expected_dE(_best(posterior)) < RESIDUAL_dE:
        no_cast.append(
            f"tone and balance of {newest.ranking[0]} are right as far as can be told, and it still looks wrong: {NOT_A_CAST}. {_BEYOND_ANY_SETTING}"
        )
    elif newest.still_off and _by_chance(posterior) < SELDOM:
        no_cast.append(
            "the strip was laid so that nearly every cast that was left open had its patch, "
            f"and even {newest.ranking[0]} looks wrong: {NOT_A_CAST}. {_BEYOND_ANY_SETTING}"
        )
    return Doubts(contradictions=tuple(against_themselves), not_a_cast=tuple(no_cast))


def _contradictions(posterior: Posterior) -> Iterator[str]:
    """The strips whose ranking no error explains even when nothing else is asked of it."""
    count = len(posterior.strips)
    for number, strip in enumerate(posterior.strips, 1):
        alone = posterior if count == 1 else infer(posterior.proof, [strip])
        if alone.misfit_dE() <= HONEST_NOISE_dE:
            continue
        where = "" if count == 1 else f"strip {number}: "
        named = " ".join(strip.ranking)
        yield (
            f"{where}the ranking {named} contradicts itself: under the cast that explains it best, {alone.misplaced()}. "
            "Look again, dry and in the light that the print is for"
        )


def _by_chance(posterior: Posterior) -> float:
    """How often a mere cast would leave every strip that was called off, the first apart, without one patch that an honest eye takes as right."""
    often = 1.0
    for number, strip in enumerate(posterior.strips):
        if number == 0 or not strip.still_off:
            continue
        before = infer(posterior.proof, posterior.strips[:number])
        places = np.stack([before.arithmetic.place(before.proof.by_role(p)) for p in strip.patches.values()])
        nearest = before.looks.distance(together(places, before.errors)).min(axis=1)
        often *= float(before.weights @ (nearest > CALLED_WRONG_dE))
    return often


def _best(posterior: Posterior) -> Floats:
    newest = posterior.strips[-1]
    return posterior.arithmetic.place(posterior.proof.by_role(newest.patches[newest.ranking[0]]))
