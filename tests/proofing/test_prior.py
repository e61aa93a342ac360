"""What is believed before anybody has looked."""

from __future__ import annotations

import numpy as np
import pytest

from drydown.proofing.prior import CAST_CC, FLAT, REACH_CC, beyond_a_cast, density


def test_the_belief_is_a_density() -> None:
    axis = np.linspace(-REACH_CC - 1, REACH_CC + 1, 121)
    mesh = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    assert density(mesh).sum() * (axis[1] - axis[0]) ** 3 == pytest.approx(1, abs=0.01)


def test_with_contrast_it_is_one_too() -> None:
    axis, turns = np.linspace(-REACH_CC, REACH_CC, 41), np.linspace(-0.6, 0.6, 41)
    mesh = np.stack(np.meshgrid(axis, axis, axis, turns, indexing="ij"), axis=-1).reshape(-1, 4)
    volume = (axis[1] - axis[0]) ** 3 * (turns[1] - turns[0])
    assert density(mesh).sum() * volume == pytest.approx(1, abs=0.05)


def test_no_error_is_the_likeliest_error() -> None:
    at = density(np.array([[0.0, 0, 0], [4, 0, 0], [0, 8, -8], [20, -20, 20], [40, -30, 0], [90, 0, 0]]))
    assert list(at) == sorted(at, reverse=True) and at[-2] > 1e-9 > 1e-50 > at[-1]


def test_an_even_excess_is_a_tone_and_reaches_farther_than_a_cast() -> None:
    assert not beyond_a_cast(np.array([[30.0, 30, 30], [21, -21, 21]])).any()
    assert beyond_a_cast(np.array([[30.0, -30, 0], [45, 45, 45]])).all()
    assert FLAT.density(np.zeros((1, 3)))[0] == pytest.approx(1 / (2 * CAST_CC) ** 3)
