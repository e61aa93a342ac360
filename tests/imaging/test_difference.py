"""The colour difference, against colour-science's: that one is held to the authors' published pairs in tests/reference/test_ciede2000.py."""

from __future__ import annotations

import numpy as np
from colour.difference import delta_E_CIE2000

from drydown.imaging.difference import ciede2000


def test_it_is_colour_sciences_to_the_last_digit_over_all_hues() -> None:
    random = np.random.default_rng(1)
    first = np.stack([random.uniform(0, 100, 4000), *random.normal(0, 45, (2, 4000))], axis=1)
    second = first + random.normal(0, 12, first.shape)
    assert np.abs(ciede2000(first, second) - delta_E_CIE2000(first, second)).max() < 1e-9


def test_colours_without_a_hue_and_opposite_hues_are_no_exception() -> None:
    first = np.array(
        [[50, 0, 0], [50, 0, 0], [20, 0, 0], [50, 2.5, 0], [50, -1, 2], [90, 0, 30]], dtype=float
    )
    second = np.array(
        [[50, 0, 0], [60, 0, 0], [20, 5, -9], [50, -2.5, 0], [50, 1, -2], [10, 0, 0]], dtype=float
    )
    assert np.abs(ciede2000(first, second) - delta_E_CIE2000(first, second)).max() < 1e-9
    assert ciede2000(first, first).max() == 0


def test_arrays_broadcast_against_each_other() -> None:
    one, many = np.array([50.0, 10, 10]), np.random.default_rng(2).uniform(0, 50, (4, 5, 3))
    assert ciede2000(many, one).shape == (4, 5)
