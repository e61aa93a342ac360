"""Reading a ranking backwards."""

from __future__ import annotations

import numpy as np
import pytest
from tests.proofing.proof_kit import INK_ROLES, ROLES, UNTOUCHED, WITH_CONTRAST, judged, named, proof, samples
from tests.proofing.survey_places import first_strip

from drydown.demo.paper import pearl_profile
from drydown.errors import Hold
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import tone_table
from drydown.imaging.working import grey_srgb
from drydown.proofing.layout import next_strip
from drydown.proofing.posterior import Judged, Proof, infer

ERRORS = [(12.0, -9.0, 4.0), (-18.0, 14.0, 10.0), (24.0, 20.0, 28.0), (1.0, 0.0, -2.0), (-6.0, -15.0, 12.0)]


@pytest.mark.parametrize("error", ERRORS, ids=str)
def test_two_strips_named_by_a_good_eye_find_the_error(error: tuple[float, ...]) -> None:
    of = proof()
    strips = [judged(of, first_strip(25, ROLES, UNTOUCHED, icc=of.icc), error)]
    after_one = infer(of, strips)
    strips.append(judged(of, next_strip(after_one, 25), error))
    after_two = infer(of, strips)
    left = np.array(error) - after_two.mean
    assert np.sqrt(left @ after_two.looks.metric @ left) < 0.75  # ΔE00
    assert np.trace(after_two.covariance) < 0.6 * np.trace(after_one.covariance)


def test_the_weights_are_a_belief_and_more_than_2500_errors_are_weighed() -> None:
    of = proof()
    belief = infer(of, [judged(of, first_strip(25, ROLES, UNTOUCHED, icc=of.icc), ERRORS[0])])
    assert belief.weights.sum() == pytest.approx(1) and belief.weights.min() >= 0
    assert len(belief.weights) > 2500
    # enough of them count: 600 were too few in a trial, 2,500 enough
    assert 1 / (belief.weights**2).sum() > 100


def test_the_same_ranking_gives_the_same_answer() -> None:
    strip = judged(proof(), first_strip(12, ROLES, UNTOUCHED, icc=pearl_profile()), ERRORS[1])
    one, other = infer(proof(), [strip]), infer(proof(), [strip])
    assert np.array_equal(one.errors, other.errors) and np.array_equal(one.weights, other.weights)


def test_the_more_patches_are_named_the_less_is_left_open() -> None:
    of, points = proof(), first_strip(20, ROLES, UNTOUCHED, icc=pearl_profile())
    open_ = [np.trace(infer(of, [judged(of, points, ERRORS[4], best=best)]).covariance) for best in (1, 3, 5)]
    assert open_ == sorted(open_, reverse=True)


def test_an_error_of_contrast_is_found_where_contrast_is_varied() -> None:
    of = proof(WITH_CONTRAST, {"tone-lift.lift_L": 0.0, "tone-lift.contrast": 1.0})
    error = (5.0, 5.0, 5.0, 0.1)
    strips = [judged(of, first_strip(25, WITH_CONTRAST, of.base, icc=of.icc), error)]
    strips.append(judged(of, next_strip(infer(of, strips), 25), error))
    belief = infer(of, strips)
    assert belief.mean[3] == pytest.approx(0.1, abs=0.04)
    assert belief.mean[:3].mean() == pytest.approx(5.0, abs=2.0)


def test_a_setting_that_the_samples_already_carry_says_the_same() -> None:
    """A first strip varies the inks alone, a second the lift as well; the samples of the first have the recipe's lift in them."""
    base = {**dict.fromkeys(INK_ROLES, 0.0), "tone-lift.lift_L": 3.0}
    response = neutral_response(pearl_profile(), channels=3)
    table, codes = tone_table(response, lift_L=3.0), samples().round().astype(int)
    lifted = np.stack([table[codes[:, k], k] for k in range(3)], axis=1)
    without = Proof(icc=pearl_profile(), samples=samples(), roles=ROLES, base=base)
    carried = Proof(icc=pearl_profile(), samples=lifted, roles=ROLES, base=base, carried=["tone-lift.lift_L"])
    points = first_strip(20, ROLES, base, icc=pearl_profile())
    strip = judged(without, points, ERRORS[0])
    assert infer(carried, [strip]).mean == pytest.approx(infer(without, [strip]).mean, abs=0.15)


def test_strips_that_vary_different_settings_are_read_together() -> None:
    of = proof()
    inks = [
        {**UNTOUCHED, **point}
        for point in first_strip(20, INK_ROLES, dict.fromkeys(INK_ROLES, 0.0), icc=of.icc)
    ]
    without_lift = [{key: point[key] for key in INK_ROLES} for point in inks]
    one = infer(of, [judged(of, inks, ERRORS[0])])
    other = infer(of, [judged(of, without_lift, ERRORS[0])])
    assert one.mean == pytest.approx(other.mean)


def test_what_cannot_be_read_is_said() -> None:
    points = first_strip(6, ROLES, UNTOUCHED, icc=pearl_profile())
    patches = named(points)
    with pytest.raises(ValueError, match="Z9: no such patch on this strip; it has A1 to B1"):
        Judged(patches=patches, ranking=("A1", "Z9"))
    with pytest.raises(ValueError, match="names a patch twice"):
        Judged(patches=patches, ranking=("A1", "A1"))
    with pytest.raises(ValueError, match="no patch was named"):
        Judged(patches=patches, ranking=())
    sharper = {name: {**values, "sharpen.strength": 0.5} for name, values in patches.items()}
    with pytest.raises(ValueError, match=r"also varies sharpen\.strength.*choose one patch"):
        infer(proof(), [Judged(patches=sharper, ranking=("A1",))])
    with pytest.raises(ValueError, match="choose one patch, or a point between two"):
        proof({})
    with pytest.raises(ValueError, match="do the same"):
        proof({"balance.cyan": "cyan", "second.cyan": "cyan"})
    with pytest.raises(ValueError, match="three values a sample"):
        Proof(icc=pearl_profile(), samples=[], roles=ROLES, base=UNTOUCHED).looks()


def test_a_profile_without_printable_greys_holds() -> None:
    of = Proof(icc=grey_srgb(), samples=samples(), roles=ROLES, base=UNTOUCHED)
    with pytest.raises(Hold):
        of.arithmetic()
