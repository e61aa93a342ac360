"""The survey's places are what the layout of first strips works out, on the paper that they were worked out for and nearly so on another."""

from __future__ import annotations

import numpy as np
from tests.proofing.survey_places import first_strip

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.imaging.strip_survey import PLACES, survey
from drydown.proofing.roles import INKS, LIMITS, Role

ROLES: dict[str, Role] = {role: role for role in (*INKS, "lift_L")}
UNTOUCHED = dict.fromkeys(ROLES, 0.0)
TABLE = np.array(PLACES).reshape(25, 4)


def laid(icc: bytes) -> np.ndarray:
    return np.array([list(patch.values()) for patch in first_strip(25, ROLES, UNTOUCHED, icc=icc)])


def test_they_are_those_of_the_pearl_paper() -> None:
    assert (laid(pearl_profile()) == TABLE).all()


def test_a_matte_paper_would_have_nearly_the_same() -> None:
    for patch in laid(matte_profile()):
        off = np.abs(TABLE - patch)
        assert (off <= [3, 3, 3, 0.81]).all(axis=1).any(), patch


def test_with_less_reach_there_are_still_25_different_patches() -> None:
    series = survey(tuple(ROLES), UNTOUCHED, limits=[LIMITS[role] for role in ROLES], spread=0.4)
    values = {tuple(one.values.values()) for one in series.variations}
    assert len(values) == 25
    assert sum(one.centre for one in series.variations) == 1
