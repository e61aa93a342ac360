"""Floating-point pictures: taken where they stay between 0 and 1 of an embedded profile, refused where they need a decision about white."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pyvips

from drydown.imaging.reading.found import Access, Source
from drydown.imaging.reading.loaded import FULL

_SLACK: Final = 0.005  # rounding and mild sharpening; half a percent of white is under 0.3 L*
_ADVICE: Final = (
    "Set the white where you see it, and export a TIFF of 16 bits with its colour profile embedded"
)


def check_float(source: Source, icc: bytes | None, bits: int) -> None:
    """Raises `Refusal` where nothing says what the numbers mean."""
    if bits != 32:
        raise source.refusal(f"holds floating-point numbers of {bits} bits, which are not read here", _ADVICE)
    if icc is None:
        raise source.refusal(
            "holds floating-point numbers without a colour profile, so nothing says what they mean", _ADVICE
        )


def float_to_sixteen(source: Source, load: Callable[[Access], pyvips.Image], access: Access) -> pyvips.Image:
    """16 bits from numbers 0..1. Looks at all pixels once before, because what lies above white would be cut off unseen.

    Raises `Refusal` for numbers outside 0..1, or none at all (NaN).
    """
    seen = load("sequential")
    bands = seen.bands
    # one pass for both questions: the extremes, and whether every number equals itself, which NaN does not
    table = seen.bandjoin(seen == seen).stats().numpy()[1:]
    low, high, numbers = table[:bands, 0].min(), table[:bands, 1].max(), table[bands:, 0].min() > 0
    if not numbers or low < -_SLACK or high > 1 + _SLACK:
        what = (
            f"from {low:.3g} to {high:.3g}, and paper has nothing beyond 0 and 1"
            if numbers
            else "that are none (NaN)"
        )
        raise source.refusal(f"holds floating-point numbers {what}", _ADVICE)
    return (load(access) * FULL).rint().cast("ushort")
