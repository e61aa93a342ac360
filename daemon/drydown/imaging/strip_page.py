"""A sheet being laid out: type, thin lines and pictures at places in millimetres, put together into one lazy picture.

Type and lines are a neutral dark grey through the profile, quieter than black beside a patch. Knows no test strips.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyvips

from drydown.api import MM_PER_INCH
from drydown.geometry import RectMm
from drydown.imaging.icc_exact import lab_to_device
from drydown.imaging.lettering import Mask, inked, line

INK_L_STAR = 35.0  #: read with ease, and no blacker than the picture beside it
WHITE = 65535
LINE_MM = 0.18


def neutral_ink(icc: bytes, L_star: float = INK_L_STAR) -> list[int]:
    """Device values of a neutral grey, 16 bits."""
    device = lab_to_device(icc, np.array([[L_star, 0.0, 0.0]]), intent="relative")[0]
    return [round(float(value) * WHITE) for value in np.clip(device, 0, 1)]


@dataclass
class Page:
    """Collects pieces; `made` puts them together. Places are in mm of the sheet, or in pixels of the file where named so."""

    canvas_mm: RectMm
    ppi: float
    ink: list[int]
    pieces: list[tuple[pyvips.Image, int, int]] = field(default_factory=list)

    def px(self, mm: float) -> float:
        """A length in pixels."""
        return mm / MM_PER_INCH * self.ppi

    def at(self, left_mm: float, top_mm: float) -> tuple[int, int]:
        """A place on the sheet as whole pixels of the file."""
        return round(self.px(left_mm - self.canvas_mm.left)), round(self.px(top_mm - self.canvas_mm.top))

    def lay(self, image: pyvips.Image, left_px: int, top_px: int) -> None:
        """A picture at a place of the file."""
        self.pieces.append((image, left_px, top_px))

    def type_px(self, text: str, left_px: int, base_px: int, cap_mm: float) -> None:
        """A line of type from its left end, on its base line."""
        mask, base = line(text, cap_mm=cap_mm, ppi=self.ppi)
        rows = np.flatnonzero(mask.any(axis=1))
        if rows.size:  # without the empty rows, so that its white covers nothing
            first, last = int(rows[0]), int(rows[-1]) + 1
            self.lay(inked(mask[first:last], self.ink), left_px, base_px - base + first)

    def type(self, text: str, left_mm: float, base_mm: float, cap_mm: float) -> None:
        """The same at a place on the sheet."""
        self.type_px(text, *self.at(left_mm, base_mm), cap_mm)

    def rule(self, left_mm: float, top_mm: float, width_mm: float) -> None:
        """A thin level line."""
        thick, long = max(1, round(self.px(LINE_MM))), max(1, round(self.px(width_mm)))
        mask: Mask = np.full((thick, long), 255, np.uint8)
        self.lay(inked(mask, self.ink), *self.at(left_mm, top_mm))

    def dot_px(self, left_px: int, base_px: int, across_mm: float) -> None:
        """A solid dot that stands on a base line."""
        side = max(3, round(self.px(across_mm)))
        y, x = np.mgrid[0:side, 0:side] - (side - 1) / 2
        share = np.clip(side / 2 - np.hypot(x, y) + 0.5, 0, 1)
        mask: Mask = np.round(share * 255).astype(np.uint8)
        self.lay(inked(mask, self.ink), left_px, base_px - side)

    def made(self, width_px: int, height_px: int) -> pyvips.Image:
        """All of it on bare paper; lazy."""
        paper = pyvips.Image.black(width_px, height_px, bands=3).linear(0, WHITE).cast("ushort")
        out = paper.copy(interpretation="rgb16")
        for image, left, top in self.pieces:
            out = out.insert(image, left, top)
        return out
