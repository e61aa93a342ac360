"""What is the same on every strip of a stock, so that two boxes of paper, or two months, can be compared and measured: a neutral wedge and control patches.

The wedge goes through the profile alone: L* aims at a* = b* = 0, media-relative, turned into device values; no step of a recipe touches it. The control patches
are device values as such, touched by nothing. Neither takes part in any judging of the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np
import pyvips

from drydown.api import MM_PER_INCH
from drydown.imaging.icc_exact import device_to_lab, lab_to_device

WHITE: Final = 65535
PATCH_MM: Final = 8.0  #: what an instrument needs
_ROUND_AIMS: Final = (95, 90, 80, 70, 60, 50, 40, 30, 20, 10)
_CLEAR_OF_BLACK: Final = 2.0  #: L*: aims nearer to the profile's black would be that black over again
_FIFTH: Final = 13107  #: of 65535, exactly


@dataclass(frozen=True, slots=True)
class Ribbon:
    """Patches side by side: what each is called, and its device values."""

    title: str
    labels: tuple[str, ...]
    device: tuple[tuple[int, int, int], ...]

    def image(self, ppi: float) -> tuple[pyvips.Image, int]:
        """All patches in a row, and how many pixels one is wide and high."""
        side = ceil(PATCH_MM / MM_PER_INCH * ppi)
        row = np.repeat(np.array(self.device, np.uint16), side, axis=0)
        pixels = np.ascontiguousarray(np.broadcast_to(row, (side, *row.shape)))
        made = pyvips.Image.new_from_memory(pixels.tobytes(), row.shape[0], side, 3, "ushort")
        return made.copy(interpretation="rgb16"), side


def wedge(icc: bytes) -> Ribbon:
    """Bare paper, round L* aims, and the darkest whole L* that the profile reaches."""
    black = float(device_to_lab(icc, np.zeros((1, 3)))[0, 0])
    aims = [aim for aim in _ROUND_AIMS if aim >= black + _CLEAR_OF_BLACK]
    aims.append(ceil(black - 1e-6))
    device = lab_to_device(icc, np.array([[aim, 0.0, 0.0] for aim in aims]), intent="relative")
    values = [tuple(int(code) for code in row) for row in np.rint(np.clip(device, 0, 1) * WHITE)]
    return Ribbon(
        "neutral wedge: L* aims through the profile",
        ("paper", *map(str, aims)),
        ((WHITE, WHITE, WHITE), *[(red, green, blue) for red, green, blue in values]),
    )


def controls() -> Ribbon:
    """White, the corners of the device's cube, black, and four greys of equal device values."""
    full, none = WHITE, 0
    corners: Sequence[tuple[str, tuple[int, int, int]]] = (
        ("W", (full, full, full)),
        ("C", (none, full, full)),
        ("M", (full, none, full)),
        ("Y", (full, full, none)),
        ("R", (full, none, none)),
        ("G", (none, full, none)),
        ("B", (none, none, full)),
        ("K", (none, none, none)),
    )
    greys = [(f"{20 * n}%", (n * _FIFTH,) * 3) for n in (1, 2, 3, 4)]
    labels, device = zip(*corners, *greys, strict=True)
    return Ribbon("control patches: device values as they are", tuple(labels), tuple(device))
