"""`split-tone`: the contract, and the tints that it promises, measured in CIELAB."""

import numpy as np
import pytest
import split_tone as plugin

from drydown.api import Hold
from drydown.imaging.icc_exact import device_to_lab
from drydown.testing import (
    STANDARD_RECIPE,
    Case,
    a_frame,
    a_job,
    contract,
    grey_ramp,
    paper_profile,
    photograph,
    run_recipe,
    run_step,
    values,
)

TestContract = contract(Case(plugin.OFFER, changes_profile=True, changes_channels=True, megapixels=30))


def lab(frame):
    codes = values(frame)
    return device_to_lab(frame.icc, codes.reshape(-1, 3) / 65535).reshape(codes.shape)


def test_lightness_stays_and_the_tints_are_those_asked_for():
    ramp = a_frame(grey_ramp(512, 1))
    before = lab(ramp)[0]
    after = lab(run_step(plugin.OFFER, ramp, shadow_b=-8.0, light_b=10.0, shadow_a=0.0, light_a=0.0))[0]
    inside = (before[:, 0] > 3) & (before[:, 0] < 99)
    assert np.abs(after[inside, 0] - before[inside, 0]).max() < 0.2  # nobody sees a fifth of an L*
    dark, bright = (
        after[(after[:, 0] > 8) & (after[:, 0] < 14)],
        after[(after[:, 0] > 85) & (after[:, 0] < 92)],
    )
    assert dark[:, 2].mean() < -6 and bright[:, 2].mean() > 7
    assert np.abs(np.diff(after[inside, 2])).max() < 0.6, "the tint turns without a step"


def test_bare_paper_and_black_have_no_tint():
    ramp = values(run_step(plugin.OFFER, a_frame(grey_ramp())))
    assert (ramp[:, 0] == 0).all() and (ramp[:, -1] == 65535).all()


def test_a_colour_picture_becomes_one_of_lightness_alone():
    made = lab(run_step(plugin.OFFER, a_frame(photograph()), shadow_a=0, shadow_b=0, light_a=0, light_b=0))
    assert np.abs(made[..., 1:]).max() < 0.3


def test_on_paper_the_lights_are_warm_and_the_shadows_cool():
    recipe = [
        *STANDARD_RECIPE[:3],
        {"use": "split-tone", "shadow_b": -8.0, "light_b": 8.0},
        {"use": "convert"},
    ]
    job = a_job(ppi=100, anyway=True)
    sheet = run_recipe(recipe, a_frame(photograph()), job, offers=[plugin.OFFER])()
    printed = device_to_lab(paper_profile(), values(sheet).reshape(-1, 3) / 65535)
    assert printed[printed[:, 0] > 80, 2].mean() > 1.5 and printed[printed[:, 0] < 25, 2].mean() < -2


def test_its_settings_can_be_put_on_a_test_strip():
    recipe = run_recipe(
        [*STANDARD_RECIPE[:3], {"use": "split-tone"}, {"use": "convert"}],
        job=a_job(ppi=100, anyway=True),
        offers=[plugin.OFFER],
    )
    patches = [values(recipe({"split-tone.light_b": value})).mean(axis=(0, 1)) for value in (0.0, 12.0)]
    assert patches[1][2] < patches[0][2], "less blue light is left"


def test_after_convert_it_is_held_with_the_next_move():
    with pytest.raises(Hold, match="Move it up"):
        run_step(plugin.OFFER, a_frame(photograph(), icc=paper_profile()))
