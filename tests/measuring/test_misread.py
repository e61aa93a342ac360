"""A chart read in the wrong order is found and said, and never used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from tests.measuring.measuring_kit import read, small_chart

from drydown.demo.paper import matte_model, pearl_profile
from drydown.imaging.icc_exact import device_to_lab
from drydown.measuring.measurement import BadMeasurement, Measurement
from drydown.measuring.misread import refuse_wrong_order


def expected(measurement: Measurement) -> np.ndarray:
    return device_to_lab(pearl_profile(), measurement.device, intent="absolute")


def pages() -> list[np.ndarray]:
    """The indices of the readings of each page, as they lie on it."""
    start, found = 0, []
    for page in small_chart().pages:
        found.append(np.arange(start, start + page.size).reshape(page.shape))
        start += page.size
    return found


def in_order(order: np.ndarray) -> Measurement:
    good = read(small_chart())
    return replace(good, lab=good.lab[order])


def turned(turn: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    return np.concatenate([turn(page).ravel() for page in pages()])


ORDERS = {
    "the sheet was turned by 180 degrees": lambda: turned(lambda page: page[::-1, ::-1]),
    "rows were read from the last to the first": lambda: turned(lambda page: page[::-1]),
    "rows were read from right to left": lambda: turned(lambda page: page[:, ::-1]),
    "down the columns instead of along the rows": lambda: turned(lambda page: page.T),
    "one patch too late": lambda: turned(lambda page: np.roll(page, 1)),
    "one patch too early": lambda: turned(lambda page: np.roll(page, -1)),
    "pages were exchanged": lambda: np.concatenate([page.ravel() for page in pages()[::-1]]),
    "pages were exchanged, and the sheet was turned": lambda: np.concatenate(
        [page[::-1, ::-1].ravel() for page in pages()[::-1]]
    ),
}


@pytest.mark.parametrize(("words", "order"), ORDERS.items(), ids=ORDERS.keys())
def test_each_wrong_order_is_named(words: str, order: Callable[[], np.ndarray]) -> None:
    assert len(pages()) == 2 and pages()[0].shape == pages()[1].shape
    wrong = in_order(order())
    with pytest.raises(BadMeasurement, match=words) as caught:
        refuse_wrong_order(wrong, expected(wrong))
    assert len(caught.value.faults) == 1


def test_without_places_a_list_that_runs_backwards_is_still_found() -> None:
    good = read(small_chart())
    wrong = replace(good, places=("",) * len(good), lab=good.lab[::-1])
    with pytest.raises(BadMeasurement, match="the list runs backwards"):
        refuse_wrong_order(wrong, expected(wrong))


def test_readings_of_something_else_are_refused() -> None:
    wrong = in_order(np.random.default_rng(5).permutation(len(read(small_chart()))))
    with pytest.raises(BadMeasurement, match="the readings do not follow this chart"):
        refuse_wrong_order(wrong, expected(wrong))


def test_a_good_chart_passes_and_so_does_one_on_another_paper() -> None:
    good = read(small_chart())
    refuse_wrong_order(good, expected(good))
    matte = replace(good, lab=matte_model().lab(good.device))
    refuse_wrong_order(matte, expected(matte))


def test_a_row_that_was_read_for_another_is_named() -> None:
    good, page = read(small_chart()), pages()[0]
    lab = good.lab.copy()
    lab[page[2]] = good.lab[page[1]]
    with pytest.raises(
        BadMeasurement, match=r"row 1C: it was mis-read: .* reads like row 1B; read that row again"
    ):
        refuse_wrong_order(replace(good, lab=lab), expected(good))


def test_a_row_that_was_read_backwards_is_named() -> None:
    good, page = read(small_chart()), pages()[1]
    lab = good.lab.copy()
    lab[page[1]] = good.lab[page[1]][::-1]
    with pytest.raises(BadMeasurement, match=r"row 2B: it was mis-read: .* reads like itself backwards"):
        refuse_wrong_order(replace(good, lab=lab), expected(good))
