"""The built-in steps and sheet makers, as the contract tries them."""

from __future__ import annotations

from drydown.testing import Case
from drydown_steps import balance, convert, crop, final, flatten, resample, sharpen, test_strip, tone_lift

STEPS = (
    Case(flatten.OFFER),
    Case(crop.OFFER),
    Case(resample.OFFER),
    Case(convert.OFFER, changes_profile=True, changes_channels=True),
    Case(tone_lift.OFFER, {"lift_L": 3.0, "contrast": 1.1}),
    Case(tone_lift.OFFER, {"lift_L": -2.0}, prepared=True),
    Case(balance.OFFER, {"magenta": 6.0, "hold_lightness": True}, prepared=True),
    Case(sharpen.OFFER, {"strength": 0.5}, prepared=True),
)
SHEET_MAKERS = (Case(final.OFFER), Case(test_strip.OFFER))
