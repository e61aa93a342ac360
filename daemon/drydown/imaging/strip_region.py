"""Which part of the picture a test strip shows: as a person says, or by a rule.

The rule looks at a small whole picture, as finished, in CIELAB (L*, a*, b*, media-relative). Every pixel has a worth for judging casts and tones

    worth = bump · (0.25 + 0.75 · max(exp(-(C*/12)²), skin))
    bump = exp(-((L* - aim) / width)⁴)      skin = exp(-((h - 50°)/25°)² - ((C* - 22)/14)²)

with aim 55 and width 24 for one region, 74 and 14 for a light one, 32 and 14 for a shadow; and a detail, its distance in L* from the mean
of the 5 x 5 pixels about it. A place of the region's size is worth

    mean(worth) · (0.05 + 0.95 · min(1, mean(detail) / sharp))

`sharp` being what the sharpest tenth of all places reaches. The best place is taken, the one nearest to the middle of the picture where several are as good.
Grey and skin are where an eye sees a cast of 1 CC first (common practice, no source); the numbers are our own, set by trying them on photographs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from drydown.api import MM_PER_INCH, Box, Refusal, SizeMm
from drydown.imaging.icc_lut import Floats

Tone = Literal["", "light", "shadow"]

_AIMS: Final = {"": (55.0, 24.0), "light": (74.0, 14.0), "shadow": (32.0, 14.0)}
_NEUTRAL_C: Final = 12.0
_ANY_COLOUR: Final = 0.25  #: what a colour counts that is neither grey nor skin
_ANY_DETAIL: Final = 0.05  #: and a place without any
_SKIN: Final = (50.0, 25.0, 22.0, 14.0)  # hue and chroma, each with how far off still counts
_AROUND: Final = 2  # pixels either way: the 5 x 5 of the rule
_SHARPEST: Final = 90  # per cent
_ALIKE: Final = 0.01  # of the best: places that close are as good


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the finished picture, at final size. `x_mm` and `y_mm` are its middle, from the picture's upper left corner."""

    picture: int
    x_mm: float
    y_mm: float
    size_mm: SizeMm
    box: Box
    chosen: Literal["given", "by rule"]
    why: str
    tone: Tone = ""

    def record(self) -> dict[str, Any]:
        """JSON values."""
        box = self.box
        return {
            "picture": self.picture,
            "x_mm": round(self.x_mm, 2),
            "y_mm": round(self.y_mm, 2),
            "width_mm": round(self.size_mm.width, 2),
            "height_mm": round(self.size_mm.height, 2),
            "box_px": [box.left, box.top, box.width, box.height],
            "chosen": self.chosen,
            "why": self.why,
        }


def given(
    picture: int, x_mm: float, y_mm: float, patch_px: tuple[int, int], picture_px: tuple[int, int], ppi: float
) -> Region:
    """The region about a point. Raises Refusal where it would reach beyond the picture, with the points that would do."""
    per_mm = ppi / MM_PER_INCH
    left, top = (round(at * per_mm - side / 2) for at, side in zip((x_mm, y_mm), patch_px, strict=True))
    beyond = (left, top, picture_px[0] - patch_px[0] - left, picture_px[1] - patch_px[1] - top)
    if min(beyond) < -1:  # a pixel is rounding
        width, height = (px / per_mm for px in picture_px)
        across, down = (px / per_mm for px in patch_px)
        raise Refusal(
            f"The region about {x_mm:g}, {y_mm:g} mm is {across:.1f} x {down:.1f} mm large and reaches beyond the picture, which is {width:.1f} x {height:.1f} mm "
            f"at its final size. Its middle may lie from {across / 2:.1f} to {width - across / 2:.1f} mm across and from {down / 2:.1f} to {height - down / 2:.1f} mm down."
        )
    return _made(picture, left, top, patch_px, picture_px, ppi, "given", "as said")


def by_rule(
    picture: int,
    Lab: Floats,
    patch_px: tuple[int, int],
    picture_px: tuple[int, int],
    ppi: float,
    *,
    tone: Tone = "",
    others: Sequence[Region] = (),
) -> Region:
    """The region that the rule finds in `Lab`, the small picture (height, width, 3). `others` are not overlapped where that can be helped."""
    rows, columns = Lab.shape[:2]
    scale = picture_px[0] / columns, picture_px[1] / rows
    width = min(columns, max(1, round(patch_px[0] / scale[0])))
    height = min(rows, max(1, round(patch_px[1] / scale[1])))
    worth, detail = _windows(_worth(Lab, tone), width, height), _windows(_detail(Lab[..., 0]), width, height)
    sharp = max(float(np.percentile(detail, _SHARPEST)), 1e-6)
    score = worth * (_ANY_DETAIL + (1 - _ANY_DETAIL) * np.minimum(1, detail / sharp))
    free = _free(score.shape, (width, height), scale, others)
    if free.any():
        score = np.where(free, score, -1)
    row, column = _nearest_the_middle(score)
    why = f"{tone or 'middle'} tones, L* {_windows(Lab[..., 0], width, height)[row, column]:.0f}; worth {worth[row, column]:.2f}, detail {detail[row, column]:.1f} L*"
    left, top = round(column * scale[0]), round(row * scale[1])
    return _made(picture, left, top, patch_px, picture_px, ppi, "by rule", why, tone)


def _made(
    picture: int,
    left: int,
    top: int,
    patch_px: tuple[int, int],
    picture_px: tuple[int, int],
    ppi: float,
    chosen: Literal["given", "by rule"],
    why: str,
    tone: Tone = "",
) -> Region:
    left = min(max(0, left), picture_px[0] - patch_px[0])
    top = min(max(0, top), picture_px[1] - patch_px[1])
    mm = MM_PER_INCH / ppi
    size = SizeMm(patch_px[0] * mm, patch_px[1] * mm)
    box = Box(left, top, *patch_px)
    return Region(
        picture, (left + patch_px[0] / 2) * mm, (top + patch_px[1] / 2) * mm, size, box, chosen, why, tone
    )


def _worth(Lab: Floats, tone: Tone) -> Floats:
    aim, wide = _AIMS[tone]
    hue, hue_wide, chroma, chroma_wide = _SKIN
    C = np.hypot(Lab[..., 1], Lab[..., 2])
    turn = (np.degrees(np.arctan2(Lab[..., 2], Lab[..., 1])) - hue + 180) % 360 - 180
    skin = np.exp(-((turn / hue_wide) ** 2) - ((C - chroma) / chroma_wide) ** 2)
    colour = np.maximum(np.exp(-((C / _NEUTRAL_C) ** 2)), skin)
    bump = np.exp(-(((Lab[..., 0] - aim) / wide) ** 4))
    return np.asarray(bump * (_ANY_COLOUR + (1 - _ANY_COLOUR) * colour))


def _detail(L: Floats) -> Floats:
    side = 2 * _AROUND + 1
    padded = np.pad(L, _AROUND, mode="edge")
    return np.asarray(np.abs(L - _windows(padded, side, side)))


def _windows(values: Floats, width: int, height: int) -> Floats:
    """The mean of every window, by its upper left corner: a table of sums, looked up at four corners."""
    sums = np.pad(values.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    total = sums[height:, width:] - sums[:-height, width:] - sums[height:, :-width] + sums[:-height, :-width]
    return np.asarray(total / (width * height))


def _free(
    shape: tuple[int, ...], window: tuple[int, int], scale: tuple[float, float], others: Sequence[Region]
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Where a window overlaps none of the others."""
    free = np.ones(shape, dtype=bool)
    for other in others:
        left, top = other.box.left / scale[0], other.box.top / scale[1]
        right, bottom = left + other.box.width / scale[0], top + other.box.height / scale[1]
        rows, columns = (np.arange(n) for n in shape)
        across = (columns + window[0] > left) & (columns < right)
        down = (rows + window[1] > top) & (rows < bottom)
        free &= ~(down[:, np.newaxis] & across[np.newaxis, :])
    return free


def _nearest_the_middle(score: Floats) -> tuple[int, int]:
    """The best place; among those as good the one nearest to the middle, then the first."""
    best = float(score.max())
    rows, columns = np.nonzero(score >= best - _ALIKE * abs(best))
    middle = (score.shape[0] - 1) / 2, (score.shape[1] - 1) / 2
    nearest = int(np.argmin((rows - middle[0]) ** 2 + (columns - middle[1]) ** 2))
    return int(rows[nearest]), int(columns[nearest])
