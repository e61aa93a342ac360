"""The drift plot: a sound picture whatever the history is."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from drydown.measuring.drift_plot import Moment, drift_svg

DAY = 86_400.0
SVG = "{http://www.w3.org/2000/svg}"


def moment(day: float, mean: float | None, words: str = "M1") -> Moment:
    return Moment(1_790_000_000 + day * DAY, {"mean": (mean, 1.5), "greys": (0.4, 1.0)}, words)


def drawn(*moments: Moment, stock: str = "pearl") -> ElementTree.Element:
    return ElementTree.fromstring(drift_svg(stock, moments))


def test_what_is_over_its_limit_has_another_shape_and_what_was_measured_alike_is_joined() -> None:
    picture = drawn(moment(0, 0.8), moment(20, 1.2), moment(40, 1.9))
    assert (
        len(picture.findall(f"{SVG}circle")) == 5 and len(picture.findall(f"{SVG}rect")) == 2
    )  # one is the ground
    lines = [path for path in picture.findall(f"{SVG}path") if path.get("stroke-width")]
    assert len(lines) == 4
    other = drawn(moment(0, 0.8), moment(20, 1.2, "M2"))
    assert not [path for path in other.findall(f"{SVG}path") if path.get("stroke-width")]


def test_higher_figures_stand_higher() -> None:
    first, second = drawn(moment(0, 0.5), moment(9, 1.0)).findall(f"{SVG}circle")[:2]
    assert float(first.get("cy") or 0) > float(second.get("cy") or 0)
    assert float(first.get("cx") or 0) < float(second.get("cx") or 0)


def test_one_moment_equal_times_missing_figures_and_odd_names_are_drawn() -> None:
    assert drawn(moment(0, 0.5)) is not None
    assert drawn(moment(0, None), moment(0, 0.5), moment(0, 0.6)) is not None
    assert "a<b>&" in "".join(drawn(moment(0, 0.5), stock="a<b>&").itertext())


def test_dates_do_not_run_into_each_other() -> None:
    picture = drawn(*(moment(day / 10, 0.5) for day in range(40)))
    dates = [
        float(text.get("x") or 0) for text in picture.findall(f"{SVG}text") if text.get("font-size") == "11"
    ]
    own = dates[: len(dates) // 2]
    assert len(own) > 3 and min(b - a for a, b in pairwise(own)) >= 70


def test_nothing_is_not_drawn() -> None:
    with pytest.raises(ValueError, match="nothing to draw"):
        drift_svg("pearl", [])
