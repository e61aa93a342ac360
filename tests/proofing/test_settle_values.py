"""From patches to values: what a record says, the point between two patches, what a choice changes."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drydown.api import StepOffer
from drydown.discovery import discover
from drydown.errors import Conflict, NotFound
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import laid_down
from drydown.imaging.working import srgb
from drydown.proofing.settle import (
    Change,
    Strip,
    between,
    changes,
    colour_keys,
    is_fine,
    multiplies,
    numbers,
    patch_ranges,
    without_common,
)

MAGENTA, CONTRAST, LIFT = "balance.magenta", "tone-lift.contrast", "tone-lift.lift_L"


def record(**more: Any) -> dict[str, Any]:
    patches = [
        {"name": "A1", "values": {MAGENTA: -10.0}},
        {"name": "A2", "values": {MAGENTA: 0.0}, "centre": True},
        {"name": "B1", "values": {MAGENTA: 10.0}, "picture": 0},
    ]
    made = {"strip": 1, "series": "vary", "vary": [MAGENTA], "base": {MAGENTA: 0.0}, "patches": patches}
    return made | more


def numeric_settings() -> list[tuple[str, float, float]]:
    """Every numeric setting of every installed step, with limits that hold for it."""
    found = []
    for name, offer in discover().offers.items():
        if not isinstance(offer, StepOffer):
            continue
        for field, schema in offer.settings.model_json_schema().get("properties", {}).items():
            kinds = [schema, *schema.get("anyOf", ())]
            number = next((kind for kind in kinds if kind.get("type") in ("number", "integer")), None)
            if number is not None:
                low = number.get("minimum", number.get("exclusiveMinimum", 0.01))
                found.append((f"{name}.{field}", low, number.get("maximum", low + 100)))
    return found


NUMERIC = numeric_settings()


def test_every_kind_of_step_that_a_strip_varies_is_among_those_tried() -> None:
    keys = {key for key, _, _ in NUMERIC}
    assert {MAGENTA, CONTRAST, LIFT, "sharpen.strength", "sharpen.radius_mm", "crop.focus_x"} <= keys


@settings(max_examples=60)
@pytest.mark.parametrize(("key", "low", "high"), NUMERIC, ids=[key for key, _, _ in NUMERIC])
@given(data=st.data())
def test_half_way_between_two_patches_is_the_mean_of_their_numbers(
    key: str, low: float, high: float, data: st.DataObject
) -> None:
    value = st.floats(low, high, allow_subnormal=False).filter(
        lambda number: number > 1e-3 or not multiplies(key)
    )
    one, other = data.draw(value), data.draw(value)
    half = between({key: one}, {key: other}, 0.5)[key]
    mean = math.sqrt(one * other) if key == CONTRAST else (one + other) / 2
    assert half == pytest.approx(mean, abs=1e-6)
    assert between({key: other}, {key: one}, 0.5)[key] == half
    assert min(one, other) - 1e-6 <= float(half or 0) <= max(one, other) + 1e-6


@given(st.floats(0, 1), st.floats(-60, 60), st.floats(-60, 60))
def test_a_share_of_the_way_is_that_share_of_the_difference(at: float, one: float, other: float) -> None:
    found = between({MAGENTA: one}, {MAGENTA: other}, at)[MAGENTA]
    assert found == pytest.approx(one + at * (other - one), abs=1e-6)


def test_the_ends_are_the_patches_themselves() -> None:
    one, other = {MAGENTA: 6.0, CONTRAST: 0.93}, {MAGENTA: 16.0, CONTRAST: 1.08}
    assert between(one, other, 0) == one
    assert between(one, other, 1) == other


def test_patches_at_6_and_16_taken_at_four_tenths_make_10() -> None:
    # common practice, no source: "about 10"
    assert between({MAGENTA: 6.0}, {MAGENTA: 16.0}, 0.4) == {MAGENTA: 10.0}


def test_whole_numbers_stay_whole_where_they_can() -> None:
    assert between({"border.lines": 2}, {"border.lines": 4}, 0.5) == {"border.lines": 3}
    assert type(between({"border.lines": 2}, {"border.lines": 4}, 0.5)["border.lines"]) is int
    assert between({"border.lines": 2}, {"border.lines": 3}, 0.5) == {"border.lines": 2.5}


@pytest.mark.parametrize(
    ("one", "other", "says"),
    [
        ("fill", "whole", "nothing lies between fill and whole"),
        (True, False, "nothing lies between true and false"),
        (None, 0.4, "nothing lies between the stock's own and 0.4"),
        (1, True, "nothing lies between 1 and true"),
    ],
)
def test_what_is_no_number_has_nothing_between(one: Any, other: Any, says: str) -> None:
    with pytest.raises(Conflict, match=says):
        between({"crop.fit": one}, {"crop.fit": other}, 0.5)
    assert between({"crop.fit": one}, {"crop.fit": one}, 0.5) == {"crop.fit": one}


@pytest.mark.parametrize("at", [-0.1, 1.1, math.nan])
def test_a_point_outside_the_two_patches_is_none_between_them(at: float) -> None:
    with pytest.raises(ValueError, match="lies at 0 to 1"):
        between({MAGENTA: 0.0}, {MAGENTA: 1.0}, at)


def test_a_patch_is_found_in_small_letters_and_one_that_is_not_there_names_what_there_is() -> None:
    strip = Strip.read(record())
    assert strip.patch(" b1 ").values == {MAGENTA: 10.0}
    assert strip.centre is not None and strip.centre.name == "A2"
    with pytest.raises(NotFound, match=r"no patch 'C4' on this strip; it has A1 to A2 and B1"):
        strip.patch("C4")
    with pytest.raises(NotFound, match=r"did you mean B1\?"):
        strip.patch("B11")


def test_a_setting_that_a_patch_does_not_name_stands_where_the_recipe_had_it() -> None:
    base = {MAGENTA: 2.0, LIFT: 3.0}
    strip = Strip.read(record(base=base, vary=[MAGENTA, LIFT]))
    assert strip.patch("B1").values == {MAGENTA: 10.0, LIFT: 3.0}


@pytest.mark.parametrize(
    ("made", "says"),
    [
        ({}, "it made no test strip"),
        ({"picture_mm": [3, 4]}, "it made no test strip"),
        (record(strip=2), "recorded in version 2"),
        (record(patches=[]), "names no patch"),
        (record(patches=[{"values": {}}]), "cannot be read"),
        (record(base={MAGENTA: [1, 2]}), "cannot be read"),
        (record(base={MAGENTA: math.inf}), "cannot be read"),
        (record(patches=[{"name": "A1", "values": {}, "picture": -1}]), "cannot be read"),
    ],
)
def test_a_record_that_tells_of_no_strip_is_refused_with_its_reason(made: dict[str, Any], says: str) -> None:
    with pytest.raises(Conflict, match=says):
        Strip.read(made)


def test_rows_of_patches_are_named_in_short() -> None:
    assert patch_ranges(["A1"]) == "A1"
    assert patch_ranges(["A1", "A2", "B1", "C9", "C10", "C11"]) == "A1 to A2, B1 and C9 to C11"


def test_inks_as_laid_down_keep_the_lightness_of_grey_and_ask_for_nothing_more() -> None:
    response = neutral_response(srgb(), channels=3)
    values = {"balance.cyan": 10.0, MAGENTA: 0.0, "balance.yellow": 0.0, LIFT: 2.0}
    plain = without_common(values, "balance", lambda inks: laid_down(response, inks))
    inks = [float(plain[f"balance.{ink}"] or 0) for ink in ("cyan", "magenta", "yellow")]
    assert sum(share * ink for share, ink in zip(response.shares, inks, strict=True)) == pytest.approx(
        0, abs=1e-5
    )
    assert inks[0] - inks[1] == pytest.approx(10, abs=1e-5), "what the inks differ in is the cast, and stays"
    assert plain["balance.hold_lightness"] is False and plain[LIFT] == 2.0
    again = without_common(plain, "balance", lambda inks: laid_down(response, inks))
    assert again == pytest.approx(plain, abs=1e-5)


def test_a_difference_is_added_and_for_contrast_multiplied() -> None:
    told = changes(
        {MAGENTA: 2.0, CONTRAST: 1.0, "sharpen.strength": None},
        {MAGENTA: 6.5, CONTRAST: 1.1, "sharpen.strength": 0.4},
    )
    assert [change.difference for change in told] == [4.5, 1.1, None]
    assert Change("crop.fit", "fill", "whole").difference is None


def test_a_strip_of_another_quality_still_tells_about_crop_and_sharpness() -> None:
    uses = {"crop": "crop", "sharpen": "sharpen", "warm": "balance", "border": "studio-border"}
    keys = ["crop.focus_x", "sharpen.strength", "warm.cyan", "border.width_mm"]
    assert colour_keys(keys, uses) == ["warm.cyan", "border.width_mm"]


def test_only_inks_and_lift_have_a_measure_of_what_is_open() -> None:
    around = {MAGENTA: 4.0, LIFT: 3.0}
    assert is_fine([around, {MAGENTA: 5.5, LIFT: 3.5}], around)
    assert not is_fine([{MAGENTA: 5.6, LIFT: 3.0}], around)
    assert not is_fine([{MAGENTA: 4.0, LIFT: 2.4}], around)
    assert not is_fine([{"sharpen.strength": 0.4}], {"sharpen.strength": 0.4})


def test_values_that_are_all_numbers_are_passed_and_others_named() -> None:
    assert numbers({MAGENTA: 4}) == {MAGENTA: 4.0}
    with pytest.raises(Conflict, match=r"sharpen.strength is the stock's own, which is no number"):
        numbers({"sharpen.strength": None})
