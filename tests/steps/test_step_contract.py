"""The built-in steps and sheet makers pass the contract that everybody's do, with less memory."""

from __future__ import annotations

from pathlib import Path

import pytest

from drydown.api import StepOffer
from drydown.testing import Case, contract
from drydown.testing.large import peak_mb
from drydown_steps import balance, convert, crop, final, flatten, resample, sharpen, test_strip, tone_lift

MEGAPIXELS = 12  # 72 MB, were it held whole
MOST_MB = 36

CASES = (
    Case(flatten.OFFER, megapixels=MEGAPIXELS),
    Case(crop.OFFER, megapixels=MEGAPIXELS),
    Case(resample.OFFER, megapixels=MEGAPIXELS),
    Case(convert.OFFER, changes_profile=True, changes_channels=True, megapixels=MEGAPIXELS),
    Case(tone_lift.OFFER, {"lift_L": 3.0, "contrast": 1.1}, megapixels=MEGAPIXELS),
    Case(tone_lift.OFFER, {"lift_L": -2.0}, prepared=True, megapixels=MEGAPIXELS),
    Case(balance.OFFER, {"magenta": 6.0, "hold_lightness": True}, prepared=True, megapixels=MEGAPIXELS),
    Case(sharpen.OFFER, {"strength": 0.5}, prepared=True, megapixels=MEGAPIXELS),
    Case(final.OFFER),
    Case(test_strip.OFFER),
)
STEPS = [case for case in CASES if isinstance(case.offer, StepOffer)]


class TestContract(contract(*CASES)):  # type: ignore[misc]
    @pytest.mark.parametrize("case", STEPS, ids=str)
    def test_step_it_bears_a_very_large_picture(
        self, case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With less than half of the picture in memory: the contract's own limit is for 100 megapixels."""
        monkeypatch.setenv(
            "VIPS_CONCURRENCY", "2"
        )  # the process that is measured holds some of it for each thread
        assert peak_mb(case, tmp_path) <= MOST_MB
