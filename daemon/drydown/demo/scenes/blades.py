"""Grass blades as curved, folded, tapering strips of colour, drawn with Pillow and averaged down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from drydown.demo.scenes.light import Light


@dataclass(frozen=True)
class Blade:
    """`foot` (x, y) and `length` in pixels, `lean` from upright in radians, `bend` added towards the tip, `width` in
    pixels at the foot, encoded colours at foot and tip, `sheen` how much lighter the sunny half is."""

    foot: tuple[float, float]
    length: float
    lean: float
    bend: float
    width: float
    colours: tuple[tuple[float, float, float], tuple[float, float, float]]
    sheen: float


def spine(blade: Blade, points: int) -> NDArray[np.float64]:
    """The middle line, shape (points, 2): its angle grows with the square of the way along it."""
    t = (np.arange(points) + 0.5) / points
    angle = blade.lean + blade.bend * t * t
    step = blade.length / points
    x = blade.foot[0] + np.concatenate([[0], np.cumsum(np.sin(angle) * step)])[:points]
    y = blade.foot[1] - np.concatenate([[0], np.cumsum(np.cos(angle) * step)])[:points]
    return np.stack([x, y], axis=1)


class Sheaf:
    """A sheet of blades: colour over black and its cover, at a finer scale than the result."""

    def __init__(self, width: int, height: int, finer: int) -> None:
        """`finer` times the result's size on each side."""
        self.finer = finer
        self._colour = Image.new("RGB", (width * finer, height * finer))
        self._cover = Image.new("L", self._colour.size)
        self._draw_colour, self._draw_cover = ImageDraw.Draw(self._colour), ImageDraw.Draw(self._cover)

    def add(self, blade: Blade, rng: np.random.Generator) -> None:
        """Draw one blade over what is there."""
        points = int(np.clip(blade.length * self.finer / 60, 5, 26))
        line = spine(blade, points) * self.finer
        along = np.gradient(line, axis=0)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
        normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-6)[:, None]
        t = np.linspace(0, 1, points)
        half = blade.width * self.finer / 2 * np.clip(1 - t**1.7, 0.02, 1) * (0.75 + 0.25 * np.sin(np.pi * t))
        left, right = line + normal * half[:, None], line - normal * half[:, None]
        fold = line + normal * (half * 0.18)[:, None]
        foot, tip = (np.array(c) for c in blade.colours)
        wave = 1 + 0.10 * np.sin(t * rng.uniform(3, 9) + rng.uniform(0, 6))
        outline = [*map(tuple, left.tolist()), *map(tuple, right[::-1].tolist())]
        self._draw_cover.polygon(outline, fill=255)
        for n in range(points - 1):
            colour = (foot + (tip - foot) * t[n] ** 0.8) * wave[n]
            dull, bright = colour * (1 - 0.5 * blade.sheen), colour * (1 + blade.sheen)
            for a, b, tone in ((left, fold, dull), (fold, right, bright)):
                quad = [tuple(a[n]), tuple(a[n + 1]), tuple(b[n + 1]), tuple(b[n])]
                self._draw_colour.polygon(quad, fill=_codes(tone))

    def spot(self, points: NDArray[np.float64], colour: NDArray[np.float64]) -> None:
        """Fill one small outline, shape (points, 2), in the result's pixels."""
        outline = list(map(tuple, (points * self.finer).tolist()))
        self._draw_cover.polygon(outline, fill=255)
        self._draw_colour.polygon(outline, fill=_codes(colour))

    def codes(self) -> NDArray[np.uint8]:
        """Encoded colour times cover, and cover, at the result's size: shape (height, width, 4)."""
        colour, cover = self._colour, self._cover
        if self.finer > 1:
            colour, cover = colour.reduce(self.finer), cover.reduce(self.finer)
        return np.dstack([np.asarray(colour), np.asarray(cover)])


def linear(codes: NDArray[np.uint8]) -> Light:
    """Linear light times cover, and cover 0..1, of what `Sheaf.codes` gives: shape (height, width, 4)."""
    sheet = codes.astype(np.float32)
    share = sheet[..., 3:] * np.float32(1 / 255)
    encoded = np.minimum(sheet[..., :3] / np.maximum(sheet[..., 3:], np.float32(1)), np.float32(1))
    # Near enough to the screen's curve for colours that were chosen by eye.
    sheet[..., :3] = encoded * encoded * (np.float32(0.8) * encoded + np.float32(0.2)) * share
    sheet[..., 3:] = share
    return sheet


def _codes(colour: NDArray[np.float64]) -> tuple[int, int, int]:
    red, green, blue = (int(c) for c in np.clip(colour * 255, 0, 255))
    return red, green, blue
