"""Where patches are laid."""

from __future__ import annotations

import numpy as np
import pytest
from tests.proofing.proof_kit import INK_ROLES, ROLES, UNTOUCHED, WITH_CONTRAST, judged, proof
from tests.proofing.survey_places import first_strip

from drydown.demo.paper import pearl_profile
from drydown.proofing.layout import halved, next_strip
from drydown.proofing.posterior import infer
from drydown.proofing.roles import LIMITS, STEP, Role

ICC = pearl_profile()
ONE: dict[str, Role] = {"balance.magenta": "magenta"}
BASES = {
    "inks and lift": (ROLES, UNTOUCHED),
    "inks": (INK_ROLES, dict.fromkeys(INK_ROLES, 0.0)),
    "one ink": (ONE, {"balance.magenta": 4.0}),
    "exposure": (WITH_CONTRAST, {"tone-lift.lift_L": 3.0, "tone-lift.contrast": 1.05}),
    "between steps": (ROLES, {**UNTOUCHED, "balance.cyan": 2.5, "tone-lift.lift_L": 0.7}),
}


@pytest.mark.parametrize("count", [12, 25, 30])
@pytest.mark.parametrize(("roles", "base"), BASES.values(), ids=BASES.keys())
def test_a_first_strip_has_as_many_different_patches_as_asked_and_the_untouched_among_them(
    roles: dict[str, Role], base: dict[str, float], count: int
) -> None:
    points = first_strip(count, roles, base, icc=ICC)
    assert len({tuple(point.items()) for point in points}) == len(points) == count
    assert base in points
    for point in points:
        assert point.keys() == roles.keys()
        for key, value in point.items():
            low, high = LIMITS[roles[key]]
            assert low <= value <= high
            in_steps = value / STEP[roles[key]]
            assert value == base[key] or in_steps == pytest.approx(round(in_steps), abs=1e-6)


def test_it_is_the_same_strip_every_time() -> None:
    assert first_strip(25, ROLES, UNTOUCHED, icc=ICC) == first_strip(25, ROLES, UNTOUCHED, icc=ICC)


def test_a_stock_whose_verification_passed_gets_smaller_steps() -> None:
    wide, narrow = (
        np.array([list(p.values()) for p in first_strip(25, ROLES, UNTOUCHED, icc=ICC, spread=spread)])
        for spread in (1.0, 0.4)
    )
    assert np.abs(narrow).mean() == pytest.approx(0.4 * np.abs(wide).mean(), rel=0.25)


def test_patches_go_from_dark_to_light_and_a_single_setting_from_low_to_high() -> None:
    points = first_strip(25, ROLES, UNTOUCHED, icc=ICC)
    rows = [np.mean([point["tone-lift.lift_L"] for point in points[at : at + 5]]) for at in range(0, 25, 5)]
    assert rows == sorted(rows)
    single = [point["balance.magenta"] for point in first_strip(9, ONE, {"balance.magenta": 0.0}, icc=ICC)]
    assert single == sorted(single)


@pytest.mark.parametrize("error", [(12.0, -9.0, 4.0), (0.5, 0.5, -1.0), (-25.0, 3.0, 14.0)], ids=str)
def test_the_next_strip_holds_the_untouched_recipe_and_the_winner_and_is_narrower(
    error: tuple[float, ...],
) -> None:
    of, points = proof(), first_strip(25, ROLES, UNTOUCHED, icc=ICC)
    strips = [judged(of, points, error)]
    for _ in range(3):
        winner = strips[-1].patches[strips[-1].ranking[0]]
        points = next_strip(infer(of, strips), 25)
        assert len({tuple(point.items()) for point in points}) == 25
        assert UNTOUCHED in points and dict(winner) in points
        strips.append(judged(of, points, error))
    others = [
        np.array([list(p.values()) for p in strip.patches.values() if p not in (UNTOUCHED, winner)])
        for strip in (strips[0], strips[1], strips[3])
    ]
    spreads = [values.std(axis=0).mean() for values in others]
    assert spreads == sorted(spreads, reverse=True)


def test_patches_stay_so_far_apart_that_an_eye_can_tell_them() -> None:
    of, error = proof(), (5.0, -4.0, 2.0)
    strips = [judged(of, first_strip(25, ROLES, UNTOUCHED, icc=ICC), error, best=5)]
    for _ in range(4):
        strips.append(judged(of, next_strip(infer(of, strips), 25), error, best=5))
    places = np.stack([of.arithmetic().place(of.by_role(p)) for p in strips[-1].patches.values()])
    assert of.looks().distance(places + np.array(error)).mean() > 0.6


def test_lightness_that_is_held_leaves_two_ways_to_go() -> None:
    points = first_strip(15, INK_ROLES, dict.fromkeys(INK_ROLES, 0.0), icc=ICC, hold_lightness=True)
    shares = np.array(proof(INK_ROLES).arithmetic().response.shares)
    values = np.array([list(point.values()) for point in points])
    assert np.abs(values @ shares).max() < 0.75  # what is left is the rounding to whole CC


def test_half_the_steps_about_the_patch_that_was_picked() -> None:
    roles: dict[str, Role] = {**ONE, "tone-lift.contrast": "contrast"}
    centre = {"balance.magenta": 2.0, "tone-lift.contrast": 1.0, "sharpen.strength": 0.4}
    patches = [
        centre,
        {"balance.magenta": 12.0, "tone-lift.contrast": 1.21, "sharpen.strength": 0.8},
        {"balance.magenta": -8.0, "tone-lift.contrast": 0.81, "sharpen.strength": 0.0},
    ]
    picked = patches[1]
    points = halved(patches, centre, picked, roles=roles)
    assert points[0] == picked
    assert points[1] == {"balance.magenta": 17.0, "tone-lift.contrast": 1.25, "sharpen.strength": 1.0}
    assert points[2] == {"balance.magenta": 7.0, "tone-lift.contrast": 1.09, "sharpen.strength": 0.6}


def test_halving_lays_nothing_twice() -> None:
    patches = [{"balance.magenta": value} for value in (60.0, 58.0, 0.0, 56.0)]
    points = halved(patches, {"balance.magenta": 0.0}, {"balance.magenta": 60.0}, roles=ONE)
    assert points == [{"balance.magenta": 60.0}]


def test_one_patch_is_no_strip() -> None:
    with pytest.raises(ValueError, match="1 patches make no strip"):
        first_strip(1, ROLES, UNTOUCHED, icc=ICC)


def test_a_winner_between_the_steps_stays_where_it_is_and_a_setting_that_it_does_not_name_at_its_base() -> (
    None
):
    of, error = proof(), (8.0, -6.0, 2.0)
    ring = [
        {"balance.cyan": c, "balance.magenta": m, "balance.yellow": y}
        for c, m, y in ((0.0, 0.0, 0.0), (-6.3, 5.7, -1.4), (5.7, -6.3, 1.2))
    ]
    points = next_strip(infer(of, [judged(of, ring, error, best=1)]), 12)
    assert {**ring[1], "tone-lift.lift_L": 0.0} in points and UNTOUCHED in points
