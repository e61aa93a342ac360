"""The step `balance`. What its tables do is in tests/imaging/test_tone.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from colour_kit import a_frame, a_job, values
from pydantic import ValidationError

from drydown.api import Hold
from drydown.demo.paper import pearl_profile
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import balance_table, laid_down
from drydown.imaging.working import grey_srgb, wide_gamut
from drydown_steps.balance import OFFER, Balance, balance


@pytest.mark.parametrize("icc", [pearl_profile(), wide_gamut()], ids=["after convert", "before convert"])
@pytest.mark.parametrize("hold", [False, True])
def test_the_picture_goes_through_the_table_of_the_profile_that_it_is_in(
    tmp_path: Path, icc: bytes, hold: bool
) -> None:
    frame = a_frame(icc)
    out = balance(frame, Balance(cyan=-4, magenta=10, hold_lightness=hold), a_job(tmp_path))
    response = neutral_response(icc, channels=3)
    table = balance_table(response, cyan=-4, magenta=10, hold_lightness=hold)
    before = values(frame)
    assert np.array_equal(values(out), np.stack([table[before[..., k], k] for k in range(3)], axis=-1))
    assert out.icc == icc


def test_by_default_it_does_nothing(tmp_path: Path) -> None:
    assert Balance() == Balance(cyan=0, magenta=0, yellow=0, hold_lightness=False)
    frame = a_frame(None, bands=1)
    assert balance(frame, Balance(hold_lightness=True), a_job(tmp_path)) is frame


def test_the_record_holds_the_three_numbers_as_laid_down(tmp_path: Path) -> None:
    note = balance(a_frame(pearl_profile()), Balance(magenta=10, hold_lightness=True), a_job(tmp_path)).notes[
        -1
    ]
    wanted = laid_down(neutral_response(pearl_profile(), channels=3), (0, 10, 0))
    assert (note.figures["cyan"], note.figures["magenta"], note.figures["yellow"]) == pytest.approx(wanted)
    assert note.figures["cyan"] == note.figures["yellow"]
    assert isinstance(note.figures["cyan"], float) and note.figures["cyan"] < 0


def test_more_than_a_proofing_move_is_advised_to_stand_before_convert(tmp_path: Path) -> None:
    job = a_job(tmp_path)
    assert "before convert" in balance(a_frame(pearl_profile()), Balance(yellow=21), job).notes[-1].text
    assert len(balance(a_frame(pearl_profile()), Balance(yellow=20), job).notes) == 1
    assert len(balance(a_frame(wide_gamut()), Balance(yellow=40), job).notes) == 1


@pytest.mark.parametrize(("icc", "bands"), [(grey_srgb(), 1), (None, 3), (wide_gamut(), 4)])
def test_a_picture_without_three_channels_and_a_profile_is_held_with_the_place_to_put_it(
    tmp_path: Path, icc: bytes | None, bands: int
) -> None:
    with pytest.raises(Hold, match="convert in the recipe"):
        balance(a_frame(icc, bands=bands), Balance(cyan=3), a_job(tmp_path))


@pytest.mark.parametrize("wrong", [{"cyan": 61}, {"magenta": -61}, {"red": 3}])
def test_limits_and_misspelt_keys_are_faults_of_the_recipe(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        Balance(**wrong)


def test_the_descriptions_say_which_way_is_which() -> None:
    for ink in ("cyan", "magenta", "yellow"):
        assert "the print gains it" in str(Balance.model_fields[ink].description)
    assert (OFFER.name, OFFER.reach, OFFER.passes) == ("balance", 0.0, "one")
