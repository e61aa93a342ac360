"""The foot of a strip and the captions: what they say, and that it fits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.steps.sheet_kit import a_job

from drydown.api import Box, Job, SizeMm
from drydown.geometry import RectMm
from drydown.imaging.lettering import width_mm
from drydown.imaging.strip_caption import broken, names, parts, shown_value
from drydown.imaging.strip_control import Ribbon, controls
from drydown.imaging.strip_layout import NAME_CAP_MM, VALUE_CAP_MM
from drydown.imaging.strip_legend import Line, foot
from drydown.imaging.strip_page import Page
from drydown.imaging.strip_region import Region
from drydown.imaging.strip_series import Series, Variation, grid
from drydown.imaging.strip_words import legend, title

INSIDE = RectMm(5, 5, 205.9, 267.5)
GREY = Ribbon("greys", tuple("abcdefghijk"), ((100, 100, 100),) * 11)


def some_job(**changes: Any) -> Job:
    return a_job(stock_lot="0412", stock_dry_minutes=30, light="D50 500 lx", **changes)


def some_series() -> Series:
    return grid("vary", ("balance.magenta",), {"balance.magenta": 2.0}, [[0, 2, 4]])


def region(number: int = 0, tone: str = "") -> Region:
    return Region(number, 120, 80, SizeMm(38, 57), Box(10, 20, 30, 40), "by rule", "", tone)  # type: ignore[arg-type]


def said(job: Job, *, regions: list[Region] | None = None, part: str = "whole") -> str:
    lines = legend(job, some_series(), regions or [region()], part, picture_names=[], wide_mm=40)  # type: ignore[arg-type]
    return "\n".join(line.text for line in lines)


def test_the_legend_says_what_a_judge_and_a_later_reader_need() -> None:
    text = said(some_job())
    for words in (
        "recipe shoreline", "stock pearl, lot 0412", "photographic-satin", "quality high", "strip on letter", "job k7f3a2c9", "2026-05-14",
        "region at 120, 80 mm, 38 x 57 mm at final size, chosen by rule", "judge not before 30 min, from 400 mm away",
        "judged under (D50 500 lx):", "+M = more magenta on paper", "printed at:", "the recipe as it stands (M +2)",
    ):  # fmt: skip
        assert words in text


def test_what_is_not_stated_is_not_made_up() -> None:
    plain = a_job(stock_ticket={}, light="")
    text = said(plain)
    assert "lot not stated" in text and "media not stated" in text and "quality not stated" in text
    assert "judge only when dry" in text and "judged under:" in text


def test_a_strip_at_another_quality_says_so_first_and_large() -> None:
    lines = legend(
        some_job(stock_strip_quality="draft"),
        some_series(),
        [region()],
        "whole",
        picture_names=[],
        wide_mm=40,
    )
    assert lines[0].loud and lines[0].text.startswith("Printed at another quality (draft)")
    assert "for crop and sharpness, not for colour" in lines[0].text
    assert not any("the final's" in line.text for line in lines)


def test_two_regions_are_told_apart_and_those_of_several_pictures_are_summed_up() -> None:
    text = said(some_job(), regions=[region(tone="light"), region(tone="shadow")])
    assert "light at 120, 80 mm" in text and "shadow at 120, 80 mm" in text
    group = said(some_job(), regions=[region(0), region(1), region(2)])
    assert "regions of 38 x 57 mm at final size, chosen by rule" in group and "120" not in group


def test_a_part_says_which_end_goes_in_first() -> None:
    assert "blank end first" in said(some_job(), part="second-half")
    assert "half" not in said(some_job())


def test_titles() -> None:
    series = some_series()
    assert title(series, 10) == "balance.magenta varied"
    assert title(replace(series, kind="ring-around"), 4) == "Colour ring-around, 4 CC, lightness held"
    assert title(replace(series, kind="points"), 10) == "Chosen points: M"


@pytest.mark.parametrize("width", [97.0, 205.9, 269.0])
@pytest.mark.parametrize("pictures", [[], [(3000, 2000)], [(2000, 3000)], [(3000, 2000), (2000, 3000)] * 3])
def test_nothing_of_the_foot_overlaps_or_leaves_its_room(
    width: float, pictures: list[tuple[int, int]]
) -> None:
    inside = RectMm(5, 5, width, 267.5)
    lines = legend(some_job(), some_series(), [region()], "whole", picture_names=["harbour.tif"], wide_mm=40)
    made = foot(inside, "Exposure series: lift and contrast", lines, pictures, [GREY, controls()])
    places = [place for _, place in made.pictures]
    assert [round(place.width / place.height, 3) for place in places] == [
        round(w / h, 3) for w, h in pictures
    ]
    for n, one in enumerate(places):
        assert one.right <= width and one.bottom <= made.legend_mm
        assert all(one.left > other.right for other in places[:n])
    for n, word in enumerate(made.lines):
        end = word.left + width_mm(word.text, word.cap)
        if word.rule is not None:
            assert word.rule[0] >= end and word.rule[1] >= 15, "there is room for a pen"
            end = sum(word.rule)
        assert end <= width + 0.01
        assert 0 < word.base <= made.legend_mm
        for other in made.lines[:n]:
            beside = other.left + width_mm(other.text, other.cap) < word.left
            assert beside or abs(other.base - word.base) > word.cap
        assert all(word.left >= one.right or word.base - word.cap >= one.bottom for one in places)
    assert all(top >= made.legend_mm for _, _, top in made.ribbons)
    assert made.left_for_patches.bottom < made.top_mm


def test_the_ribbons_lie_at_the_same_place_whatever_the_legend_says() -> None:
    places = set()
    for lines in ([], [Line("one line")], [Line(f"line {n} of a longer legend") for n in range(12)]):
        made = foot(INSIDE, "t", lines, [(3000, 2000)], [GREY, controls()])
        places |= {(ribbon.title, left, round(made.top_mm + top, 9)) for ribbon, left, top in made.ribbons}
    assert len(places) == 2


def test_a_room_once_settled_is_kept() -> None:
    tall = foot(INSIDE, "t", [Line("word " * 60)], [(3000, 2000)], [])
    again = foot(INSIDE, "t", [Line("word")], [(3000, 2000)], [], least_mm=tall.legend_mm)
    assert again.height_mm == tall.height_mm


@given(
    wide=st.floats(25, 90),
    values=st.lists(st.floats(-60, 60), min_size=1, max_size=4),
    centre=st.booleans(),
)
def test_a_caption_keeps_to_the_width_of_its_patch(wide: float, values: list[float], centre: bool) -> None:
    keys = (
        "balance.cyan",
        "tone-lift.contrast",
        "studio-frame.a_very_long_setting_of_a_plugin_mm",
        "sharpen.strength",
    )[: len(values)]
    variation = Variation(dict(zip(keys, values, strict=True)), centre=centre)
    rows = broken("B3", parts(variation, keys, wide_mm=wide), wide_mm=wide)
    for number, row in enumerate(rows):
        reached = width_mm("B3", NAME_CAP_MM) if number == 0 else -1.0
        for text, at in row:
            assert at >= reached
            reached = at + (2.2 if text == "\u2022" else width_mm(text, VALUE_CAP_MM))
        assert reached <= wide + 1e-6


def test_a_name_too_long_or_shared_is_replaced_by_a_letter_that_the_legend_explains() -> None:
    keys = ("soft.strength", "sharpen.strength")
    assert names(keys, wide_mm=60) == ["p", "q"]
    series = grid("vary", keys, dict.fromkeys(keys, 0.0), [[0, 1], [0, 1]])
    text = "\n".join(
        line.text for line in legend(some_job(), series, [region()], "whole", picture_names=[], wide_mm=60)
    )
    assert "p = soft.strength" in text and "q = sharpen.strength" in text
    assert names(("sharpen.strength",), wide_mm=40) == ["strength"]


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("balance.cyan", -0.0001, "0"),
        ("balance.cyan", 12.34, "+12.34"),
        ("tone-lift.contrast", 0.925926, "0.926"),
        ("dots.count", 3, "3"),
        ("sharpen.radius_mm", None, "as it stands"),
    ],
)
def test_values_are_shown_short(key: str, value: float | None, shown: str) -> None:
    assert shown_value(key, value) == shown


def test_type_is_laid_where_asked_and_leaves_everything_else_bare() -> None:
    page = Page(RectMm(3, 3, 60, 40), 254.0, [20000, 21000, 22000])
    page.type("H", 13.0, 23.0, 2.5)
    page.type("beyond", 60.0, 41.0, 2.5)
    made = page.made()
    values = np.ndarray((made.height, made.width, 3), np.uint16, made.write_to_memory())
    rows, columns = np.nonzero((values[:, :500] != 65535).any(axis=2))
    assert (columns.min(), rows.max()) == (pytest.approx(100, abs=4), pytest.approx(199, abs=1))
    assert rows.max() - rows.min() + 1 == pytest.approx(25, abs=1), "2.5 mm at ten pixels a millimetre"
    assert values.reshape(-1, 3).min(axis=0).tolist() == [20000, 21000, 22000]
