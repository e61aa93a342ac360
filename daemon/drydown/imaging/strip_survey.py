"""The survey: 25 patches of colour and tone, laid where naming the best few tells most of what a printer does wrong.

Each patch stands for as much of what may be wrong (casts to 22 CC an ink, tones to 6.5 L*) as any other, weighted by what the eye sees. The
places were worked out once, as `tests/proofing/survey_places.py` does it again, for a mixed region on a pearl paper; on a matte one they come
out within 3 CC and 0.8 L*, so they serve every stock. What the inks have in common is left to the lift.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from drydown.imaging.strip_series import Numbers, Series, Variation, moved, number

COLUMNS: Final = 5
#: (cyan, magenta, yellow in CC; lift in L*) from the recipe as it stands: rows from dark to light, each from cool to warm.
PLACES: Final = (
    ((4, 4, -22, -9.2), (-4, 11, -18, -5.8), (4, -3, -3, -9.8), (-8, 8, 1, -7.8), (0, -4, 10, -4.6)),
    ((7, 0, -20, -3.6), (15, -12, -11, -3.0), (13, -16, 7, -3.8), (-3, 4, -4, -2.6), (-13, 9, 13, -3.8)),
    ((-4, 10, -18, 0.4), (6, -5, -2, -1.8), (0, 0, 0, 0.0), (-14, 16, -5, -2.0), (-7, 1, 18, 2.0)),
    ((7, -2, -15, 2.2), (3, -5, 5, 2.2), (-4, 5, -1, 3.4), (7, -13, 17, 2.0), (-16, 13, 9, 2.0)),
    ((16, -14, -5, 3.6), (6, -6, -2, 7.8), (-11, 14, -8, 5.4), (-5, 3, 6, 9.6), (-2, -6, 24, 7.6)),
)
#: How far the patches reach where the stock's last verification passed; a ring-around's first step shrinks alike.
VERIFIED: Final = 0.4
_STEPS: Final = (1.0, 1.0, 1.0, 0.2)  # whole CC and a fifth of an L*: no eye tells less


def survey(
    keys: tuple[str, ...], base: Numbers, *, limits: Sequence[tuple[float, float]], spread: float = 1.0
) -> Series:
    """The survey about `base`. `keys`: cyan, magenta, yellow, lift, each within its `limits`. `spread`: 1, or less where the printer is known to be near."""
    variations = []
    for row, patches in enumerate(PLACES):
        for column, place in enumerate(patches):
            steps = [round(by * spread / step) * step for by, step in zip(place, _STEPS, strict=True)]
            values = {
                key: moved(base[key], _within(number(base[key], key), by, *ends), key)
                for key, by, ends in zip(keys, steps, limits, strict=True)
            }
            variations.append(Variation(values, centre=not any(place), at=(row, column)))
    return Series("survey", keys, dict(base), tuple(variations), (len(PLACES), COLUMNS))


def _within(base: float, by: float, low: float, high: float) -> float:
    """The move, cut where it would lead beyond what the step takes."""
    return min(max(base + by, low), high) - base
