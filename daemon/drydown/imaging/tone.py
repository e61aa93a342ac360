"""Tone and balance as one 16-bit table a channel.

Everything is a shift along the neutral response: monotone, white and black of the device stay where they are, and shifts add.
On a channel's own curve, t = (L* - black) / (white - black) and x = ln(t / (1 - t)). An adjustment is

    x' = x50 + contrast * (x - x50) + shift        x50 = x of L* 50

The module knows no steps and no recipes.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, log
from typing import Final

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.imaging.icc_lut import Floats
from drydown.imaging.neutral import CODES, MID_L, NeutralResponse

Table = npt.NDArray[np.uint16]
Three = tuple[float, float, float]

#: Slope of t' over t that a contrast below 1 may not exceed: it would be infinite at black and white, and tear shadows apart.
STEEPEST: Final = 2.0
_DEFINED_AT_CC: Final = 10.0


def tone_table(response: NeutralResponse, *, lift_L: float = 0.0, contrast: float = 1.0) -> Table:
    """Table (65536, 3) that raises a true mid-grey by `lift_L` L* and turns contrast about L* 50; contrast first.

    Raises ValueError where the lift would leave the range between the paper's black and white.
    """
    return _toned(response, lift_L, contrast).copy()


@lru_cache(maxsize=2)  # a strip and a page run the same recipe several times
def _toned(response: NeutralResponse, lift_L: float, contrast: float) -> Table:
    shift = lift_shift(response, lift_L)
    return _table(response, contrast=contrast, shifts=(shift, shift, shift))


def balance_table(
    response: NeutralResponse,
    *,
    cyan: float = 0.0,
    magenta: float = 0.0,
    yellow: float = 0.0,
    hold_lightness: bool = False,
) -> Table:
    """Table (65536, 3) that adds ink, in CC: 10 of all three darkens a true mid-grey by a density of 0.10."""
    inks = (cyan, magenta, yellow)
    if hold_lightness:
        inks = laid_down(response, inks)
    per_cc = cc_shift(response)
    red, green, blue = (-per_cc * ink for ink in inks)
    return _table(response, contrast=1.0, shifts=(red, green, blue))


def lift_shift(response: NeutralResponse, lift_L: float) -> float:
    """The shift that raises a true mid-grey by `lift_L`."""
    raised = response.place(MID_L + lift_L)
    if not 0 < raised < 1:
        raise ValueError(
            f"a lift of {lift_L:+g} would take mid-grey to L* {MID_L + lift_L:g}, "
            f"outside the paper's {response.black_L:.1f} to {response.white_L:.1f}"
        )
    return _logit(raised) - _logit(response.place(MID_L))


def cc_shift(response: NeutralResponse) -> float:
    """The shift of one CC: a tenth of the one that darkens a true mid-grey by a density of 0.10.

    L* = 116 f(Y) - 16 (CIE 15:2004, 8.2.1); density = -log10 Y. One size serves every strength, so that shifts add.
    """
    darker = _L_star(_luminance(MID_L) * 10 ** (-_DEFINED_AT_CC / 100))
    place = response.place(darker)
    if place <= 0:
        raise ValueError(f"black is L* {response.black_L:.1f}: too light for a balance about mid-grey")
    return (_logit(response.place(MID_L)) - _logit(place)) / _DEFINED_AT_CC


def laid_down(response: NeutralResponse, inks: Three) -> Three:
    """Cyan, magenta and yellow in CC without their common part, so that mid-grey keeps its lightness."""
    common = sum(share * ink for share, ink in zip(response.shares, inks, strict=True))
    cyan, magenta, yellow = (ink - common for ink in inks)
    return cyan, magenta, yellow


def apply_table(pixels: pyvips.Image, table: Table) -> pyvips.Image:
    """The picture (3 channels, 16 bits) through a table; lazy, pixel by pixel."""
    if pixels.format != "ushort" or pixels.bands != table.shape[1]:
        raise TypeError(
            f"the table is for {table.shape[1]} channels of ushort, the picture has {pixels.bands} of {pixels.format}"
        )
    lookup = pyvips.Image.new_from_memory(
        np.ascontiguousarray(table).tobytes(), CODES, 1, table.shape[1], "ushort"
    )
    return pixels.maplut(lookup.copy(interpretation="histogram")).copy(interpretation=pixels.interpretation)


def _table(response: NeutralResponse, *, contrast: float, shifts: Three) -> Table:
    black_L, span_L = response.black_L, response.white_L - response.black_L
    codes = np.arange(CODES)
    columns = []
    for k, shift in enumerate(shifts):
        t = np.clip((response.L_star[:, k] - black_L) / span_L, 0, 1)
        t = _shifted(_contrasted(t, contrast, response.place(MID_L)), shift)
        columns.append(np.interp(black_L + span_L * t, response.L_star[:, k], codes))
    table = np.rint(np.stack(columns, axis=1)).astype(np.uint16)
    table[0], table[-1] = 0, CODES - 1
    return table


def _contrasted(t: Floats, contrast: float, middle: float) -> Floats:
    """`middle` + contrast about it in the logit, written without logarithms of 0; below 1 with a straight toe and shoulder."""
    if contrast == 1:
        return t
    up, down = (t / middle) ** contrast, ((1 - t) / (1 - middle)) ** contrast
    # up / down is the odds of t' over the odds of mid-grey
    turned = middle * up / (middle * up + (1 - middle) * down)
    if contrast < 1:
        turned = np.minimum(turned, STEEPEST * t)
        turned = np.maximum(turned, 1 - STEEPEST * (1 - t))
    return np.asarray(turned)


def _shifted(t: Floats, shift: float) -> Floats:
    odds = exp(shift)
    return np.asarray(t * odds / (1 - t + t * odds))


def _logit(t: float) -> float:
    return log(t / (1 - t))


def _luminance(L_star: float) -> float:
    """Y 0..1 of L*, above its straight part (CIE 15:2004, annex)."""
    return ((L_star + 16) / 116) ** 3


def _L_star(Y: float) -> float:
    """L* of Y 0..1, above its straight part (CIE 15:2004, 8.2.1)."""
    return float(116 * Y ** (1 / 3) - 16)
