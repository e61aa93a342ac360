"""The table of looks, against every sample worked out at every place."""

from __future__ import annotations

import numpy as np
import pytest
from colour.difference import delta_E_CIE2000
from tests.proofing.proof_kit import samples

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import balance_table, tone_table
from drydown.proofing.arithmetic import arithmetic
from drydown.proofing.look import exact_distance, looks

NO_INK = np.zeros(3)


def places(spread_cc: float, spread_log: float = 0.0, count: int = 200) -> np.ndarray:
    random = np.random.default_rng(8)
    inks = random.normal(0, spread_cc, (count, 3))
    return np.c_[inks, random.normal(0, spread_log, count)] if spread_log else inks


@pytest.mark.parametrize("icc", [pearl_profile(), matte_profile()], ids=["pearl", "matte"])
@pytest.mark.parametrize("spread_cc", [1.0, 3.0, 10.0])
def test_a_look_up_is_what_every_sample_says(icc: bytes, spread_cc: float) -> None:
    device, at = samples() / 65535, places(spread_cc)
    table = looks(icc, device, contrast=1.0, excess_cc=NO_INK)
    truth = exact_distance(icc, device, contrast=1.0, excess_cc=NO_INK, places=at)
    off = np.abs(table.distance(at) - truth)
    assert off.mean() < 0.03 + 0.02 * truth.mean()
    assert off.max() < 0.1 + 0.05 * truth.max()


def test_with_contrast_it_is_too() -> None:
    device, at = samples() / 65535, places(4.0, 0.08)
    table = looks(pearl_profile(), device, contrast=1.0, excess_cc=NO_INK, turns_contrast=True)
    truth = exact_distance(pearl_profile(), device, contrast=1.0, excess_cc=NO_INK, places=at)
    assert np.abs(table.distance(at) - truth).mean() < 0.12


def test_the_distance_is_that_of_sheets_made_with_the_steps_own_tables() -> None:
    icc, codes = pearl_profile(), samples().round().astype(int)
    response = neutral_response(icc, channels=3)
    model = arithmetic(icc, {"lift_L": 0.0, "cyan": 0.0, "magenta": 0.0, "yellow": 0.0})
    tone, balance = tone_table(response, lift_L=2.5), balance_table(response, magenta=8, yellow=-5)
    shown = np.stack([balance[tone[codes[:, k], k], k] for k in range(3)], axis=1) / 65535
    printed, wanted = device_to_lab(icc, shown), device_to_lab(icc, codes / 65535)
    place = model.place({"lift_L": 2.5, "magenta": 8.0, "yellow": -5.0})
    table = looks(icc, samples() / 65535, contrast=1.0, excess_cc=NO_INK)
    assert table.distance(place[np.newaxis])[0] == pytest.approx(
        delta_E_CIE2000(printed, wanted).mean(), abs=0.1
    )


def test_the_wanted_look_is_the_recipe_as_it_stands() -> None:
    icc, device = pearl_profile(), samples() / 65535
    lifted = looks(icc, device, contrast=1.1, excess_cc=np.full(3, -8.0))
    assert lifted.distance(np.zeros((1, 3)))[0] == 0
    plain = looks(icc, device, contrast=1.0, excess_cc=NO_INK)
    assert not np.allclose(lifted.metric, plain.metric, rtol=0.02)


def test_beyond_the_table_distance_goes_on_growing() -> None:
    table = looks(pearl_profile(), samples() / 65535, contrast=1.0, excess_cc=NO_INK)
    far = table.distance(np.array([[60.0, 0, 0], [90.0, 0, 0], [200.0, 200, 200]]))
    assert far[0] < far[1] < far[2]


@pytest.mark.parametrize("Lab", [(100.0, 0.0, 0.0), (2.0, 0.0, 0.0)], ids=["bare paper", "black"])
def test_a_region_in_which_no_cast_shows_is_refused(Lab: tuple[float, float, float]) -> None:
    device = np.clip(lab_to_device(pearl_profile(), np.array([Lab] * 5)), 0, 1).round()
    with pytest.raises(ValueError, match=r"no cast can be seen in this region.*mid-tones"):
        looks(pearl_profile(), device, contrast=1.0, excess_cc=NO_INK)


def test_one_flat_colour_is_region_enough() -> None:
    device = np.clip(lab_to_device(pearl_profile(), np.array([[55.0, 8.0, 10.0]])), 0, 1)
    table = looks(pearl_profile(), device, contrast=1.0, excess_cc=NO_INK)
    assert table.distance(np.array([[5.0, 0, 0], [0, 5.0, 0], [0, 0, 5.0]])).min() > 0.5
