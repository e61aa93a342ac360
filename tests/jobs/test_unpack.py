"""What the child makes of a plan, for the slug: the conversion that really ran, and what somebody has set."""

from __future__ import annotations

from pathlib import Path

import pytest

from drydown.api import EdgesMm, SizeMm
from drydown.jobs.spec import JobSpec, PluginRef, SheetSpec, StepSpec, StockSpec
from drydown.jobs.unpack import conversion, settings_in_short

SHEET = SheetSpec(name="letter", size=SizeMm(215.9, 279.4), pwg="na_letter_8.5x11in")
REF = PluginRef(module="m", offered_by="test 1", blake3="")


def a_spec(*steps: StepSpec, bpc: bool = True) -> JobSpec:
    stock = StockSpec(
        name="pearl",
        profile=Path("p.icc"),
        profile_blake3="",
        ppi=360,
        intent="relative",
        black_point_compensation=bpc,
    )
    return JobSpec(
        job="j",
        hot_folder="final",
        prints=Path("prints"),
        source=Path("a.tif"),
        source_name="a.tif",
        stem="a",
        recipe="r",
        steps=steps,
        maker=StepSpec(name="final", use="final", settings={}, plugin=REF),
        stock=stock,
        sheet=SHEET,
        final_sheet=SHEET,
        margins_mm=EdgesMm(),
        viewing_mm=400,
        made="2026-01-01T00:00:00+00:00",
    )


def a_step(use: str, origin: dict[str, str] | None = None, **settings: object) -> StepSpec:
    return StepSpec(name=use, use=use, settings=settings, origin=origin or {}, plugin=REF)


@pytest.mark.parametrize(
    ("settings", "bpc", "says"),
    [
        ({}, True, "relative, black point compensated"),
        ({}, False, "relative"),
        ({"intent": "perceptual"}, True, "perceptual, black point compensated"),
        ({"intent": "perceptual", "black_point_compensation": False}, True, "perceptual"),
        ({"hard_proof": True}, True, "imitates another paper"),
    ],
)
def test_the_slug_names_the_conversion_that_ran(settings: dict[str, object], bpc: bool, says: str) -> None:
    assert conversion(a_spec(a_step("convert", **settings), bpc=bpc)) == says


def test_without_a_conversion_the_slug_claims_none() -> None:
    assert conversion(a_spec(a_step("sharpen"))) == ""


def test_only_what_somebody_has_set_in_numbers_stands_in_the_slug() -> None:
    lift = a_step("tone-lift", {"lift_L": "recipe"}, lift_L=3.0, contrast=1.0)
    balance = a_step(
        "balance", {"magenta": "settled", "hold_lightness": "recipe"}, magenta=5.0, hold_lightness=True
    )
    assert settings_in_short(a_spec(lift, balance, a_step("sharpen", strength=0.4))) == (
        "tone-lift lift_L 3; balance magenta 5"
    )
