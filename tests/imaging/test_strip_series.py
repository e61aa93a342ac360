"""The variations of a strip: names, values and places."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drydown.api import Refusal
from drydown.imaging.strip_series import (
    arrangements,
    counted,
    grid,
    pointed,
    ring_around,
)

KEYS = ("balance.cyan", "balance.magenta", "balance.yellow")
SHARES = (0.41, 0.48, 0.11)  # of an invented profile: how much each ink counts in lightness
#: what 1 CC of each ink lays down when lightness is held: the ink less its share, of all three (imaging.tone.laid_down)
PER_CC = [
    (float(n == 0) - share, float(n == 1) - share, float(n == 2) - share) for n, share in enumerate(SHARES)
]
AT_ZERO = dict.fromkeys(KEYS, 0.0)


def ring(patches: int, base: dict[str, float] | None = None, step_cc: float = 10.0):  # type: ignore[no-untyped-def]
    return ring_around(KEYS, base or AT_ZERO, PER_CC, step_cc=step_cc, patches=patches)


@pytest.mark.parametrize("patches", [7, 13, 19])
def test_a_ring_around_has_the_patches_asked_for_each_once_and_the_recipe_as_it_stands_among_them(
    patches: int,
) -> None:
    series = ring(patches)
    values = [tuple(one.values.values()) for one in series.variations]
    assert len(values) == len(set(values)) == patches
    assert [one.values for one in series.variations if one.centre] == [AT_ZERO]


@pytest.mark.parametrize("patches", [7, 13, 19])
def test_every_patch_of_a_ring_around_keeps_the_lightness_of_mid_grey(patches: int) -> None:
    for one in ring(patches).variations:
        inks = [float(one.values[key]) for key in KEYS]
        lightness = sum(share * ink for share, ink in zip(SHARES, inks, strict=True))
        assert abs(lightness) <= 0.05 * 1.0001, "no more than rounding to a tenth of a CC"


def test_the_centre_of_a_ring_around_stands_in_the_middle_and_opposite_colours_face_each_other() -> None:
    series = ring(13)
    assert series.shape == (3, 5)
    cells = {one.at: one for one in series.variations}
    assert cells[(1, 2)].centre
    for (row, column), one in cells.items():
        other = cells[(2 - row, 4 - column)]
        for key in KEYS:
            assert one.values[key] == pytest.approx(-float(other.values[key]), abs=1e-9)


def test_patches_are_called_by_cc_numbers() -> None:
    labels = {one.label for one in ring(13).variations}
    assert {"+10C", "-10C", "+10M", "-10M", "+10Y", "-10Y", "centre"} <= labels
    assert {label for label in labels if " " in label} == {
        "+10Y -10M", "+10Y -10C", "+10M -10C", "+10M -10Y", "+10C -10Y", "+10C -10M",
    }  # fmt: skip
    assert {"+4M", "-4M"} <= {one.label for one in ring(13, step_cc=4).variations}
    assert {"+20M", "-20Y"} <= {one.label for one in ring(19).variations}


def test_more_of_two_inks_would_be_less_of_the_third_so_such_a_pair_is_not_laid() -> None:
    # what makes the pairs of this series: with lightness held, red (+M +Y) and -C are one colour
    both = [PER_CC[1][ink] + PER_CC[2][ink] for ink in range(3)]
    assert both == pytest.approx([-share for share in PER_CC[0]])


def test_a_ring_around_goes_about_what_the_recipe_has() -> None:
    base = {KEYS[0]: 3.0, KEYS[1]: -2.5, KEYS[2]: 0.0}
    series = ring(13, base)
    assert series.centre.values == base
    plain = {one.label: one.values for one in ring(13).variations}
    for one in series.variations:
        for key in KEYS:
            moved = float(one.values[key]) - base[key]
            assert moved == pytest.approx(float(plain[one.label][key]), abs=0.051)


def test_a_grid_has_the_first_setting_across_and_the_second_down() -> None:
    base = {"tone-lift.lift_L": 3.0, "tone-lift.contrast": 1.0}
    series = grid("vary", tuple(base), base, [[1, 3, 5], [0.9, 1.0]])
    assert series.shape == (2, 3)
    cells = {one.at: tuple(one.values.values()) for one in series.variations}
    assert cells[(0, 2)] == (5.0, 0.9) and cells[(1, 0)] == (1.0, 1.0)
    assert [one.at for one in series.variations if one.centre] == [(1, 1)]
    turned = arrangements(series)[1]
    assert turned.shape == (3, 2)
    assert {one.at: tuple(one.values.values()) for one in turned.variations}[(2, 0)] == (5.0, 0.9)


def test_the_recipe_as_it_stands_is_added_in_its_place_where_the_values_leave_it_out() -> None:
    series = grid("vary", ("sharpen.strength",), {"sharpen.strength": 0.4}, [[0.2, 0.6, 0.8]])
    assert [one.values["sharpen.strength"] for one in series.variations] == [0.2, 0.4, 0.6, 0.8]
    assert [one.centre for one in series.variations] == [False, True, False, False]
    two = grid("vary", ("a.x", "b.y"), {"a.x": 9.0, "b.y": 1.0}, [[1, 2], [1, 3]])
    assert two.shape is None and two.variations[-1].centre and len(two.variations) == 5


def test_a_setting_that_the_recipe_leaves_open_stays_open_in_the_centre() -> None:
    series = grid("vary", ("sharpen.radius_mm",), {"sharpen.radius_mm": None}, [[0.04, 0.08]])
    assert series.variations[-1].values == {"sharpen.radius_mm": None} and series.variations[-1].centre


def test_points_keep_their_order_and_what_they_leave_out_stays_as_the_recipe_has_it() -> None:
    base = {"balance.cyan": 1.0, "tone-lift.lift_L": 3.0}
    series = pointed([{"balance.cyan": 4}, {"balance.cyan": 1, "tone-lift.lift_L": 3}], base)
    assert [tuple(one.values.values()) for one in series.variations] == [(4.0, 3.0), (1.0, 3.0)]
    assert [one.centre for one in series.variations] == [False, True]
    added = pointed([{"balance.cyan": 4}], base)
    assert added.variations[-1].centre and added.variations[-1].values == base


def test_in_a_group_the_recipe_as_it_stands_comes_first_for_every_picture() -> None:
    for base in ({"a.x": 2.0}, {"a.x": 7.0}):
        series = grid("vary", ("a.x",), base, [[1, 2, 3]], stands_first=True)
        assert [one.centre for one in series.variations] == [True, False, False, False]


def test_a_whole_number_stays_one_and_half_a_step_of_it_is_refused() -> None:
    series = grid("vary", ("dots.count",), {"dots.count": 3}, [[1, 3, 5]])
    assert [type(one.values["dots.count"]) for one in series.variations] == [int, int, int]
    with pytest.raises(Refusal, match=r"'dots.count' counts in whole numbers \(it is 3\), and 2.5 is none"):
        grid("vary", ("dots.count",), {"dots.count": 3}, [[2.5]])


@pytest.mark.parametrize(
    ("value", "says"), [(True, "it is true, not a number"), ("fill", "it is 'fill', not a number")]
)
def test_a_setting_that_is_no_number_is_refused(value: bool | str, says: str) -> None:
    with pytest.raises(Refusal, match=f"'crop.fit' cannot be varied in steps: {says}"):
        grid("vary", ("crop.fit",), {"crop.fit": value}, [[1, 2]])


@given(
    base=st.floats(0.5, 2),
    step=st.floats(1.01, 1.5),
    half=st.integers(1, 5),
)
def test_factors_lie_alike_above_and_below(base: float, step: float, half: int) -> None:
    values = counted(base, step, 2 * half + 1, factor=True)
    assert values[half] == base
    for n in range(half + 1):
        assert values[half - n] * values[half + n] == pytest.approx(base * base, rel=1e-5)
