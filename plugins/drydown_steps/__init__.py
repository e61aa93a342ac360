"""The steps and sheet makers that come with Drydown, offered through the same door as anybody's."""

from __future__ import annotations

from drydown.api import Offer, hookimpl


@hookimpl
def drydown_steps() -> list[Offer]:
    """Offer every built-in step, in the order in which a recipe usually names them."""
    from drydown_steps import balance, convert, crop, final, flatten, resample, sharpen, test_strip, tone_lift

    modules = (flatten, crop, resample, convert, tone_lift, balance, sharpen, final, test_strip)
    return [module.OFFER for module in modules]
