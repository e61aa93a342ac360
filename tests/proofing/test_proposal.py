"""What is proposed after a ranking, how surely, and when nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from tests.proofing.proof_kit import INK_ROLES, ROLES, UNTOUCHED, distances, judged, named, proof
from tests.proofing.survey_places import first_strip

from drydown.demo.paper import pearl_profile
from drydown.proofing.layout import next_strip
from drydown.proofing.posterior import Judged, infer
from drydown.proofing.proposal import SETTLED, Proposal, propose
from drydown.proofing.roles import STEP, Role

ICC = pearl_profile()
ERROR = (12.0, -9.0, 4.0)


def after(error: tuple[float, ...], strips: int, *, best: int = 3) -> tuple[Proposal, list[Judged]]:
    of, points = proof(), first_strip(25, ROLES, UNTOUCHED, icc=ICC)
    found: list[Judged] = []
    for _ in range(strips):
        found.append(judged(of, points, error, best=best))
        belief = infer(of, found)
        points = next_strip(belief, 25)
    return propose(belief), found


def test_the_proposal_cancels_the_error() -> None:
    proposal, _ = after(ERROR, 2)
    untouched, proposed = distances(proof(), [UNTOUCHED, proposal.values], ERROR)
    assert untouched > 3 and proposed < 0.6
    assert proposal.changed and not proposal.doubts
    assert proposal.expected_dE < 0.7 and proposal.untouched_dE == pytest.approx(untouched, abs=0.7)


def test_it_is_in_whole_cc_and_fifths_of_an_l() -> None:
    proposal, _ = after(ERROR, 2)
    for key, value in proposal.values.items():
        steps = value / STEP[ROLES[key]]
        assert steps == pytest.approx(round(steps), abs=1e-6)


def test_the_words_say_the_numbers() -> None:
    proposal, _ = after(ERROR, 2)
    for ink in ("cyan", "magenta"):
        value = proposal.values[f"balance.{ink}"]
        assert f"{abs(value):.0f} CC {'more' if value > 0 else 'less'} {ink}" in proposal.words
    assert proposal.words.startswith("About ") and "four in five" in proposal.words.lower()


def test_the_truth_lies_in_most_of_the_intervals() -> None:
    """The eye here has no noise, so the intervals, made for one that has, must hold it."""
    random, held = np.random.default_rng(4), []
    model = proof(INK_ROLES).arithmetic()
    for _ in range(6):
        error = tuple(random.uniform(-14, 14, 3))
        of, points = proof(INK_ROLES), first_strip(25, INK_ROLES, dict.fromkeys(INK_ROLES, 0.0), icc=ICC)
        found = infer(of, [judged(of, points, error)])
        for role, (low, high), off in zip(model.roles, propose(found).intervals.values(), error, strict=True):
            assert role in INK_ROLES.values()
            held.append(low <= -off <= high)
    assert np.mean(held) > 0.8


def test_it_is_settled_when_the_intervals_are_narrow() -> None:
    early, _ = after(ERROR, 1)
    late, _ = after(ERROR, 3, best=5)
    assert not early.settled and "another strip would tell more" in early.words
    assert late.settled and late.words.endswith("settled.")
    for key, (low, high) in late.intervals.items():
        assert (high - low) / 2 <= SETTLED[ROLES[key]]


def test_the_untouched_recipe_named_best_changes_nothing() -> None:
    of, points = proof(), first_strip(25, ROLES, UNTOUCHED, icc=ICC)
    patches = named(points)
    untouched = next(name for name, values in patches.items() if values == UNTOUCHED)
    others = [name for name in patches if name != untouched][:2]
    proposal = propose(infer(of, [Judged(patches=patches, ranking=(untouched, *others))]))
    assert proposal.values == UNTOUCHED and not proposal.changed
    assert "untouched recipe was named best: nothing changes" in proposal.words


def test_a_change_that_nobody_would_see_is_not_made() -> None:
    of, base = proof(), UNTOUCHED
    # the winner is as good as the recipe: a hair's breadth beside it
    points = [
        base,
        {**base, "balance.magenta": 1.0},
        {**base, "balance.cyan": 12.0},
        {**base, "balance.yellow": -16.0},
    ]
    proposal = propose(infer(of, [Judged(patches=named(points), ranking=("A2", "A1"))]))
    assert proposal.values == base and not proposal.changed
    assert proposal.words.startswith(
        "No change is expected to be seen (it would gain ΔE00 0.1): the recipe stays as it is."
    )


def test_a_recipe_between_the_steps_is_not_rounded_for_its_own_sake() -> None:
    base = {"balance.cyan": 2.5, "balance.magenta": 0.0, "balance.yellow": 0.0, "tone-lift.lift_L": 0.7}
    of = proof(base=base)
    points = [base, {**base, "balance.magenta": -12.0}, {**base, "balance.magenta": 12.0}]
    proposal = propose(infer(of, [Judged(patches=named(points), ranking=("A1", "A2", "A3"))]))
    assert proposal.values == base


def test_only_what_was_varied_is_changed() -> None:
    one: dict[str, Role] = {"balance.magenta": "magenta"}
    of, base = proof(one), {"balance.magenta": 0.0}
    strips = [judged(of, first_strip(9, one, base, icc=ICC), (0.0, -9.0, 0.0))]
    strips.append(judged(of, next_strip(infer(of, strips), 9), (0.0, -9.0, 0.0)))
    proposal = propose(infer(of, strips))
    assert proposal.values.keys() == one.keys()
    assert proposal.values["balance.magenta"] == pytest.approx(9.0, abs=1.5)


def test_held_lightness_is_taken_into_account() -> None:
    base = dict.fromkeys(INK_ROLES, 0.0)
    of = proof(INK_ROLES, base, hold_lightness=True)
    error = (9.0, -8.0, -3.5)  # next to no change of lightness
    points = first_strip(25, INK_ROLES, base, icc=ICC, hold_lightness=True)
    strips = [judged(of, points, error)]
    strips.append(judged(of, next_strip(infer(of, strips), 25), error))
    proposal = propose(infer(of, strips))
    assert distances(of, [proposal.values], error)[0] < 0.7
    inks = np.array([proposal.values[key] for key in INK_ROLES])
    assert abs(float(inks @ np.array(of.arithmetic().response.shares))) < 1
