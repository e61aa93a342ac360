"""Sizes, edges and boxes: plain values with their units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MM_PER_INCH = 25.4
#: ICC.1's rendering intents: perceptual, media-relative colorimetric, saturation, ICC-absolute colorimetric.
Intent = Literal["perceptual", "relative", "saturation", "absolute"]
Value = bool | int | float | str  #: what a setting on a test strip may be


@dataclass(frozen=True, slots=True)
class SizeMm:
    """A width and a height in millimetres."""

    width: float
    height: float

    def turned(self) -> SizeMm:
        """The same size on its side."""
        return SizeMm(self.height, self.width)

    def px(self, ppi: float) -> tuple[int, int]:
        """Whole pixels at `ppi` pixels an inch, rounded to the nearest."""
        return round(self.width / MM_PER_INCH * ppi), round(self.height / MM_PER_INCH * ppi)


@dataclass(frozen=True, slots=True)
class EdgesMm:
    """Four distances from the edges of a sheet, in millimetres."""

    top: float = 0.0
    right: float = 0.0
    bottom: float = 0.0
    left: float = 0.0

    def turned(self) -> EdgesMm:
        """The edges once the sheet is turned a quarter anticlockwise: what was the top (the feed's leading edge) lies at the left."""
        return EdgesMm(top=self.right, right=self.bottom, bottom=self.left, left=self.top)

    def inside(self, size: SizeMm) -> SizeMm:
        """What these edges leave of `size`."""
        return SizeMm(size.width - self.left - self.right, size.height - self.top - self.bottom)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in whole pixels; `left` and `top` count from the picture's upper left corner."""

    left: int
    top: int
    width: int
    height: int
