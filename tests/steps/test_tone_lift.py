"""The step `tone-lift`. What its tables do is in tests/imaging/test_tone.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from colour_kit import a_frame, a_job, values
from pydantic import ValidationError

from drydown.api import Hold
from drydown.demo.paper import pearl_profile
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import tone_table
from drydown.imaging.working import grey_srgb, wide_gamut
from drydown_steps.tone_lift import OFFER, ToneLift, tone_lift


@pytest.mark.parametrize("icc", [pearl_profile(), wide_gamut()], ids=["after convert", "before convert"])
def test_the_picture_goes_through_the_table_of_the_profile_that_it_is_in(tmp_path: Path, icc: bytes) -> None:
    frame = a_frame(icc)
    out = tone_lift(frame, ToneLift(lift_L=3, contrast=1.1), a_job(tmp_path))
    table = tone_table(neutral_response(icc, channels=3), lift_L=3, contrast=1.1)
    before = values(frame)
    assert np.array_equal(values(out), np.stack([table[before[..., k], k] for k in range(3)], axis=-1))
    assert out.icc == icc


def test_by_default_it_does_nothing(tmp_path: Path) -> None:
    assert ToneLift() == ToneLift(lift_L=0, contrast=1)
    frame = a_frame(pearl_profile())
    assert tone_lift(frame, ToneLift(), a_job(tmp_path)) is frame
    untagged = a_frame(None, bands=1)
    assert tone_lift(untagged, ToneLift(), a_job(tmp_path)) is untagged


def test_the_record_holds_the_numbers(tmp_path: Path) -> None:
    note = tone_lift(a_frame(pearl_profile()), ToneLift(lift_L=2.5), a_job(tmp_path)).notes[-1]
    assert note.figures == {"lift_L": 2.5, "contrast": 1.0}


@pytest.mark.parametrize(
    "settings", [ToneLift(lift_L=5), ToneLift(lift_L=-4.5), ToneLift(contrast=0.8), ToneLift(contrast=1.2)]
)
def test_more_than_a_proofing_move_is_advised_to_stand_before_convert(
    tmp_path: Path, settings: ToneLift
) -> None:
    job = a_job(tmp_path)
    after = tone_lift(a_frame(pearl_profile()), settings, job)
    assert "before convert" in after.notes[-1].text and after.notes[-1].level == "note"
    before = tone_lift(a_frame(wide_gamut()), settings, job)  # it stands there already
    assert not any("before convert" in note.text for note in before.notes)


def test_a_proofing_move_is_not(tmp_path: Path) -> None:
    out = tone_lift(a_frame(pearl_profile()), ToneLift(lift_L=4, contrast=1.15), a_job(tmp_path))
    assert len(out.notes) == 1


@pytest.mark.parametrize(("icc", "bands"), [(grey_srgb(), 1), (None, 3), (wide_gamut(), 4)])
def test_a_picture_without_three_channels_and_a_profile_is_held_with_the_place_to_put_it(
    tmp_path: Path, icc: bytes | None, bands: int
) -> None:
    with pytest.raises(Hold, match="convert in the recipe"):
        tone_lift(a_frame(icc, bands=bands), ToneLift(lift_L=3), a_job(tmp_path))


@pytest.mark.parametrize("wrong", [{"lift_L": 12.5}, {"contrast": 0.79}, {"contrast": 1.3}, {"lift": 3}])
def test_limits_and_misspelt_keys_are_faults_of_the_recipe(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        ToneLift(**wrong)


def test_the_description_says_that_this_is_not_the_lift_of_film_grading() -> None:
    assert "not the lift of film grading" in str(ToneLift.model_fields["lift_L"].description)
    assert (OFFER.name, OFFER.reach, OFFER.passes) == ("tone-lift", 0.0, "one")
