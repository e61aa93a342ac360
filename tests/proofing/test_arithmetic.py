"""Settings as numbers that add, held to the tables that the steps themselves print with."""

from __future__ import annotations

import numpy as np
import pytest
from tests.proofing.survey_places import typical_metric

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.imaging.icc_lut import Floats
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import balance_table, tone_table
from drydown.proofing.arithmetic import CC_PER_L, arithmetic, cure, solve, together
from drydown.proofing.look import Curves, curves_of
from drydown.proofing.roles import INKS, Role

SETTINGS: list[dict[Role, float]] = [
    {"lift_L": 4.0},
    {"cyan": 12.0, "magenta": -7.0},
    {"lift_L": -3.0, "cyan": -10.0, "magenta": 5.0, "yellow": 15.0},
    {"lift_L": 2.0, "contrast": 1.12, "yellow": -9.0},
]
ALL: dict[Role, float] = {"lift_L": 0.0, "cyan": 0.0, "magenta": 0.0, "yellow": 0.0}


def shifted(curves: Curves, device: Floats, contrast: float, excess: Floats, per_cc: float) -> Floats:
    return curves.device(curves.middle + contrast * (curves.logit(device) - curves.middle) - per_cc * excess)


@pytest.mark.parametrize("icc", [pearl_profile(), matte_profile()], ids=["pearl", "matte"])
@pytest.mark.parametrize("hold", [False, True], ids=["free", "lightness held"])
@pytest.mark.parametrize("settings", SETTINGS, ids=str)
def test_settings_print_as_the_tables_of_the_steps_print_them(
    icc: bytes, hold: bool, settings: dict[Role, float]
) -> None:
    response = neutral_response(icc, channels=3)
    model = arithmetic(icc, {**ALL, "contrast": 1.0}, hold_lightness=hold)
    codes = np.random.default_rng(3).integers(4000, 62000, (300, 3))
    tone = tone_table(response, lift_L=settings.get("lift_L", 0.0), contrast=settings.get("contrast", 1.0))
    inks = {ink: settings.get(ink, 0.0) for ink in INKS}
    balance = balance_table(response, **inks, hold_lightness=hold)
    by_steps = np.stack([balance[tone[codes[:, k], k], k] for k in range(3)], axis=1) / 65535
    place = model.place(settings)
    shown = shifted(curves_of(response), codes / 65535, float(np.exp(place[3])), place[:3], model.cc_shift)
    # contrast below the straight toe and shoulder, and rounding to codes twice
    assert np.abs(shown - by_steps).max() < 6e-5


def test_a_lift_is_the_same_amount_of_all_three_inks_less() -> None:
    model = arithmetic(pearl_profile(), ALL)
    lift = model.place({"lift_L": 1.0})
    assert np.ptp(lift) < 1e-12
    # 10 CC of all three are a density of 0.10; 1 L* at L* 50 is worth 2.05 CC of them (CIE 15:2004)
    assert lift[0] == pytest.approx(-CC_PER_L, abs=0.05)
    darker = model.place({"cyan": 10.0, "magenta": 10.0, "yellow": 10.0})
    assert model.place({"lift_L": -4.9})[0] == pytest.approx(darker[0], abs=0.1)


def test_places_are_counted_from_the_recipe_as_it_stands() -> None:
    model = arithmetic(pearl_profile(), {"lift_L": 3.0, "cyan": 4.0, "magenta": 0.0, "yellow": -2.0})
    assert np.abs(model.place({})).max() == 0
    assert model.place({"cyan": 9.0}).round(9).tolist() == [5, 0, 0]


def test_the_values_that_reach_a_place_lead_back_to_it() -> None:
    model = arithmetic(pearl_profile(), ALL)
    wanted = np.array([[6.0, -3.0, 11.0], [-20.0, 4.0, 2.0]])
    values = model.laid(solve(model.directions(), typical_metric(3), wanted))
    for row, place in zip(values, wanted, strict=True):
        reached = model.place(dict(zip(model.roles, map(float, row), strict=True)))
        assert reached == pytest.approx(place, abs=0.15)  # a lift is not quite a straight line


def test_where_a_lift_can_say_it_the_inks_keep_mid_greys_lightness() -> None:
    model = arithmetic(pearl_profile(), ALL)
    values = model.laid(
        solve(model.directions(), typical_metric(3), np.array([[8.0, 8.0, 8.0], [5.0, 0.0, 0.0]]))
    )
    inks = values[:, [model.roles.index(ink) for ink in INKS]]
    assert np.abs(inks @ np.array(model.response.shares)).max() < 1e-9
    assert np.abs(inks[0]).max() < 1e-6


def test_with_one_ink_alone_the_nearest_is_taken() -> None:
    model = arithmetic(pearl_profile(), {"magenta": 0.0})
    value = solve(model.directions(), np.eye(3), np.array([[3.0, 7.0, -2.0]]))
    assert value == pytest.approx(np.array([[7.0]]))


def test_what_cures_an_error_leaves_nothing_together_with_it() -> None:
    errors = np.array([[5.0, -3.0, 2.0, 0.08], [-9.0, 1.0, 4.0, -0.1]])
    cures = cure(errors)
    for error, place in zip(errors, cures, strict=True):
        assert together(place[np.newaxis], error[np.newaxis])[0, 0] == pytest.approx(np.zeros(4), abs=1e-12)
