"""The built-in steps and sheet makers pass the contract that everybody's do."""

from __future__ import annotations

from drydown.testing import Case, contract
from drydown_steps import balance, convert, crop, final, flatten, resample, sharpen, test_strip, tone_lift

TestContract = contract(
    Case(flatten.OFFER, megapixels=1),
    Case(crop.OFFER, megapixels=1),
    Case(resample.OFFER),
    Case(convert.OFFER, changes_profile=True, changes_channels=True),
    Case(tone_lift.OFFER, {"lift_L": 3.0, "contrast": 1.1}),
    Case(tone_lift.OFFER, {"lift_L": -2.0}, prepared=True, megapixels=1),
    Case(balance.OFFER, {"magenta": 6.0, "hold_lightness": True}, prepared=True, megapixels=1),
    Case(sharpen.OFFER, {"strength": 0.5}, prepared=True),
    Case(final.OFFER),
    Case(test_strip.OFFER),
)
