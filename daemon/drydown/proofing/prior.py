"""What errors a printer is believed to have before anybody has looked: mostly small ones, for profiles are mostly good.

Half the belief is a normal one about no error. The other half is flat over every cast and tone that a sheet of the right stock may show, and
a small share reaches farther, so that a wrong profile is met as what it is and not as the largest error allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import CC_PER_L

#: Beyond these an error is no longer that of a sound profile on its own paper.
CAST_CC: Final = 22.0
TONE_L: Final = 6.5
SMALL_CC: Final = 4.0
SMALL_L: Final = 1.2
_WIDE_CC: Final = 45.0
_WIDE_L: Final = 12.0
_SHARES: Final = (0.5, 0.47, 0.03)  # small, flat, wide
#: Standard deviations of the error's contrast, as a logarithm, of the same three; only where contrast is varied.
CONTRAST: Final = (0.03, 0.08, 0.15)
#: As far as the belief reaches along one ink, in CC, and along the logarithm of contrast.
REACH_CC: Final = _WIDE_CC + _WIDE_L * CC_PER_L
REACH_LOG: Final = 0.4


@dataclass(frozen=True, slots=True)
class Share:
    """A belief flat over casts of at most `cast_cc` an ink and tones of at most `tone_L`."""

    cast_cc: float
    tone_L: float

    def density(self, excess: Floats) -> Floats:
        """Density (H,) of excesses (H, 3): the length of tones that leave a cast within reach, over all that there is."""
        reach = self.tone_L * CC_PER_L
        low = np.maximum(excess.max(axis=1) - self.cast_cc, -reach)
        high = np.minimum(excess.min(axis=1) + self.cast_cc, reach)
        return np.asarray(np.maximum(high - low, 0) / ((2 * self.cast_cc) ** 3 * 2 * reach))


FLAT: Final = Share(CAST_CC, TONE_L)
WIDE: Final = Share(_WIDE_CC, _WIDE_L)


def density(errors: Floats) -> Floats:
    """Prior density (H,) of errors (H, 3 or 4)."""
    excess = errors[:, :3]
    spread = SMALL_CC**2 * np.eye(3) + (SMALL_L * CC_PER_L) ** 2
    small = np.exp(-0.5 * np.einsum("hi,ij,hj->h", excess, np.linalg.inv(spread), excess))
    parts = [
        small / np.sqrt((2 * np.pi) ** 3 * np.linalg.det(spread)),
        FLAT.density(excess),
        WIDE.density(excess),
    ]
    if errors.shape[1] > 3:
        parts = [part * _normal(errors[:, 3], width) for part, width in zip(parts, CONTRAST, strict=True)]
    return np.asarray(sum(share * part for share, part in zip(_SHARES, parts, strict=True)))


def beyond_a_cast(excess: Floats) -> Floats:
    """Whether each excess (H, 3) is more than any cast and tone of a sound profile."""
    return np.asarray(FLAT.density(excess) <= 0)


def _normal(x: Floats, width: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / width) ** 2) / (width * np.sqrt(2 * np.pi)))
