"""Alpha, and what white is where paper shows through. The one place that tells CMYK from RGB with alpha."""

from __future__ import annotations

import pyvips

FULL = 65535


def white_of(pixels: pyvips.Image) -> list[int]:
    """Paper white in the picture's own encoding, one value a colour channel: full in grey and RGB, no ink in CMYK."""
    colours = pixels.bands - (1 if pixels.hasalpha() else 0)
    return [0 if pixels.interpretation == "cmyk" else FULL] * colours


def on_white(pixels: pyvips.Image) -> pyvips.Image:
    """A 16-bit picture with alpha laid on paper white: value x alpha + white x (1 - alpha), without the alpha.

    Opaque pixels come out bit for bit, invisible ones exactly white.
    """
    return pixels.flatten(background=white_of(pixels), max_alpha=FULL)
