"""The smooth function through noisy readings."""

from __future__ import annotations

import numpy as np
import pytest

from drydown.profiling.field import fit, learn


def wavy(device: np.ndarray) -> np.ndarray:
    r, g, b = device.T
    return np.asarray(60 * r**1.6 + 20 * g - 8 * np.maximum(b - 0.5, 0) ** 2 + 10 * r * b)


@pytest.mark.parametrize("noise", [0.1, 0.5])
def test_it_finds_out_how_noisy_the_readings_are_and_averages_that_away(noise: float) -> None:
    random = np.random.default_rng(4)
    device = random.random((140, 3))
    read = wavy(device) + random.normal(0, noise, 140)
    found = fit(device, read, learn(device, read), np.ones(140))
    unseen = random.random((500, 3))
    assert found.noise == pytest.approx(noise, rel=0.35)
    assert np.sqrt(np.mean((found(unseen) - wavy(unseen)) ** 2)) < 0.8 * noise


def test_leaving_one_out_in_closed_form_is_leaving_it_out() -> None:
    device = np.random.default_rng(5).random((60, 3))
    read = wavy(device)
    hyper = learn(device, read)
    whole = fit(device, read - read.mean(), hyper, np.ones(60))
    kept = np.arange(60) != 7
    without = fit(device[kept], read[kept] - read.mean(), hyper, np.ones(59))
    assert whole.left_out[7] == pytest.approx((read - read.mean())[7] - without(device[7:8])[0], abs=1e-2)


def test_a_mean_of_more_readings_is_believed_more() -> None:
    device = np.random.default_rng(6).random((80, 3))
    read = wavy(device)
    hyper = learn(device, read + np.random.default_rng(7).normal(0, 0.5, 80))
    moved = read.copy()
    moved[3] += 3
    once, often = (fit(device, moved, hyper, np.where(np.arange(80) == 3, n, 1.0)) for n in (1.0, 20.0))
    assert abs(often(device[3:4])[0] - moved[3]) < abs(once(device[3:4])[0] - moved[3])


def test_the_same_readings_give_the_same_function() -> None:
    device = np.random.default_rng(9).random((70, 3))
    np.testing.assert_array_equal(learn(device, wavy(device)), learn(device, wavy(device)))
