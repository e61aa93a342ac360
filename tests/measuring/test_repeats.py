"""What stands more than once on a chart tells how far its readings can be trusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.measuring.measuring_kit import measurement, read, small_chart

from drydown.imaging.difference import ciede2000
from drydown.measuring.measurement import BadMeasurement
from drydown.measuring.repeats import averaged, refuse_unsteady, repeatability


def test_repeats_without_noise_are_equal() -> None:
    found = repeatability(read(small_chart(), noise=0))
    assert found.groups == 5 and found.readings >= 2 * 15
    assert found.mean == pytest.approx(0, abs=1e-9) and found.drift == pytest.approx(0, abs=1e-9)


def test_the_mean_difference_is_that_from_the_mean_by_hand() -> None:
    device = np.array([[1.0, 1, 1], [0, 0, 0], [1, 1, 1]])
    lab = np.array([[95.0, 0, 0], [10, 0, 0], [93, 0, 0]])
    found = repeatability(measurement(device, lab))
    by_hand = ciede2000(lab[[0, 2]], np.array([94.0, 0, 0])).mean()
    assert found.mean == pytest.approx(by_hand) and (found.groups, found.readings) == (1, 2)
    assert found.within is None and found.between is None  # no places, no pages


def test_a_second_page_that_differs_shows_between_the_pages_and_not_within() -> None:
    good = read(small_chart(), noise=0)
    second = np.array([place.startswith("2") for place in good.places])
    lab = good.lab + np.where(second[:, np.newaxis], [1.5, 0, 0], 0)
    found = repeatability(replace(good, lab=lab))
    assert found.within == pytest.approx(0, abs=1e-9)
    assert found.between is not None and found.between > 0.5


def test_a_drift_down_the_sheet_is_seen() -> None:
    good = read(small_chart(), noise=0)
    fall = np.array(["ABCDEFGJKLPQRTUVY".index(place[1]) for place in good.places]) * 0.5
    found = repeatability(replace(good, lab=good.lab - fall[:, np.newaxis] * [1, 0, 0]))
    assert found.drift is not None and found.drift > 0.5


def test_readings_that_differ_by_more_than_one_refuse_a_build() -> None:
    assert refuse_unsteady(read(small_chart())).mean < 1  # type: ignore[operator]
    with pytest.raises(BadMeasurement, match=r"repeated patches differ by .* 1 is the most"):
        refuse_unsteady(read(small_chart(), noise=1.5))


def test_averaging_leaves_each_colour_once() -> None:
    noisy = read(small_chart())
    found, counts = averaged(noisy)
    assert len(found) == len(small_chart().codes) and counts.sum() == len(noisy)
    white = (noisy.device == 1).all(axis=1)
    row = int(np.flatnonzero((found.device == 1).all(axis=1))[0])
    assert found.lab[row] == pytest.approx(noisy.lab[white].mean(axis=0)) and counts[row] == white.sum()
