"""A verification: figures, verdict, conditions, and readings that must not be used."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.measuring.measuring_kit import measurement, read, small_chart

from drydown.demo.paper import pearl_profile
from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.working import srgb
from drydown.measuring.measurement import BadMeasurement, Condition, Measurement
from drydown.measuring.verify import Limits, Verification, brightener, verify

M1 = Condition(mode="M1", backing="white")


def verified(readings: Measurement, *, anyway: bool = False, condition: Condition = M1) -> Verification:
    return verify(
        readings, pearl_profile(), stock="pearl", profile_condition=condition, limits=Limits(), anyway=anyway
    )


def shifted(by: tuple[float, float, float]) -> Measurement:
    good = read(small_chart())
    return replace(good, lab=good.lab + np.array(by))


def test_readings_of_the_paper_that_the_profile_was_made_for_pass() -> None:
    found = verified(read(small_chart()))
    assert found.passed and found.comparable
    assert {check.name: round(check.found or 9, 1) for check in found.checks}["mean"] <= 0.3


def test_the_figures_are_those_worked_out_by_hand() -> None:
    readings = shifted((0.5, 1.5, 0))
    expected = device_to_lab(pearl_profile(), readings.device, intent="absolute")
    away = ciede2000(readings.lab, expected)
    found = verified(readings)
    figures = {check.name: check.found for check in found.checks}
    assert figures["mean"] == pytest.approx(away.mean())
    assert figures["95th percentile"] == pytest.approx(np.percentile(away, 95))
    assert found.largest == pytest.approx(away.max())
    assert found.worst[0].de00 == pytest.approx(away.max())
    assert readings.places[int(away.argmax())] in found.worst[0].patch
    white = readings.lab[(readings.device == 1).all(axis=1)].mean(axis=0)
    paper = device_to_lab(pearl_profile(), np.ones((1, 3)), intent="absolute")[0]
    assert figures["paper white"] == pytest.approx(ciede2000(white, paper))


def test_a_cast_of_the_greys_fails_by_the_greys_alone() -> None:
    good = read(small_chart(), noise=0)
    grey = (good.device == good.device[:, :1]).all(axis=1) & (good.device[:, 0] < 1)
    readings = replace(good, lab=good.lab + grey[:, np.newaxis] * np.array([0, 2.0, 0]))
    found = verified(readings)
    assert not found.passed
    assert [check.name for check in found.checks if not check.passed] == ["greys in a*b*"]
    assert found.greys_worst == pytest.approx(2, abs=0.3)


def test_without_white_nothing_passes_by_default() -> None:
    good = read(small_chart())
    found = verified(
        replace(
            good.of(~(good.device == 1).all(axis=1)), places=("",) * int((good.device != 1).any(axis=1).sum())
        )
    )
    assert {check.name: check.found for check in found.checks}["paper white"] is None
    assert not found.passed


def test_limits_decide() -> None:
    readings = shifted((1.0, 0, 0))
    tight = verify(readings, pearl_profile(), stock="pearl", profile_condition=M1, limits=Limits(mean=0.1))
    assert verified(readings).passed and not tight.passed


@pytest.mark.parametrize(
    ("own", "message"),
    [
        (Condition(mode="M2", backing="white"), "made with mode M2, the profile with M1"),
        (Condition(mode="M1", backing="black"), "made with backing black, the profile with white"),
    ],
)
def test_conditions_are_never_compared_across_without_anyway(own: Condition, message: str) -> None:
    readings = replace(read(small_chart()), condition=own)
    with pytest.raises(BadMeasurement, match=message):
        verified(readings)
    across = verified(readings, anyway=True)
    assert not across.comparable and any("because that was asked for" in note for note in across.notes)


def test_a_condition_that_is_not_stated_is_said_and_taken_for_the_profiles() -> None:
    found = verified(replace(read(small_chart()), condition=Condition()))
    assert found.comparable and "the file does not state its mode; the profile's is M1" in found.notes


def test_m1_and_m2_together_tell_the_brightener() -> None:
    with_uv = read(small_chart(), noise=0)
    without = replace(with_uv, lab=with_uv.lab + np.array([0, 0, 4.5]), condition=Condition(mode="M2"))
    assert brightener(with_uv, without) == pytest.approx(4.5) == brightener(without, with_uv)
    with pytest.raises(BadMeasurement, match="M1 and M2 are needed"):
        brightener(with_uv, with_uv)


def test_missing_patches_are_named() -> None:
    good = read(small_chart())
    holes = np.ones(len(good), dtype=bool)
    holes[[9, 10]] = False
    with pytest.raises(
        BadMeasurement, match=f"2 patches of the chart are missing: {good.places[9]}, {good.places[10]}"
    ):
        verified(good.of(holes))


def test_another_stock_s_chart_is_refused_unless_asked_for() -> None:
    foreign = replace(read(small_chart()), keywords={"DESCRIPTOR": "chart for stock matte, sheet letter"})
    with pytest.raises(BadMeasurement, match="made for stock matte, and pearl was asked for"):
        verified(foreign)
    assert verified(foreign, anyway=True).passed


def test_a_screen_s_profile_is_said_to_be_none_of_a_printer() -> None:
    found = verify(read(small_chart()), srgb(), stock="pearl", profile_condition=M1, limits=Limits())
    assert not found.passed and any("none of a printer" in note for note in found.notes)


def test_a_cmyk_set_is_refused() -> None:
    cmyk = replace(measurement(np.zeros((3, 3)), np.zeros((3, 3))), space="CMYK", device=np.zeros((3, 4)))
    with pytest.raises(BadMeasurement, match="it holds CMYK device values"):
        verified(cmyk)


def test_the_report_is_plain_json() -> None:
    data = json.loads(json.dumps(verified(read(small_chart())).data()))
    assert data["passed"] is True and data["condition"] == {"mode": "M1", "backing": "white"}
    assert [check["name"] for check in data["checks"]] == [
        "mean",
        "95th percentile",
        "greys in a*b*",
        "paper white",
    ]
