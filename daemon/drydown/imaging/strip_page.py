"""A sheet being laid out: type, thin lines and pictures at places in millimetres, put together into one lazy picture.

Type and lines are a neutral dark grey through the profile, quieter than black beside a patch. Knows no test strips.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyvips

from drydown.api import MM_PER_INCH
from drydown.geometry import RectMm
from drydown.imaging.icc_exact import lab_to_device
from drydown.imaging.lettering import Mask, line

INK_L_STAR = 35.0  #: read with ease, and no blacker than the picture beside it
WHITE = 65535
LINE_MM = 0.18
_INKED = 255


def neutral_ink(icc: bytes, L_star: float = INK_L_STAR) -> list[int]:
    """Device values of a neutral grey, 16 bits."""
    device = lab_to_device(icc, np.array([[L_star, 0.0, 0.0]]), intent="relative")[0]
    return [round(float(value) * WHITE) for value in np.clip(device, 0, 1)]


class Page:
    """Collects type and pieces; `made` puts them together. Places are in mm of the sheet, or in whole pixels of the file where named so."""

    def __init__(self, canvas_mm: RectMm, ppi: float, ink: list[int]) -> None:
        self.canvas_mm, self.ppi, self.ink = canvas_mm, ppi, ink
        width, height = canvas_mm.size.px(ppi)
        self._mask: Mask = np.zeros((height, width), np.uint8)
        self._pieces: list[tuple[pyvips.Image, int, int]] = []

    def px(self, mm: float) -> float:
        """A length in pixels."""
        return mm / MM_PER_INCH * self.ppi

    def at(self, left_mm: float, top_mm: float) -> tuple[int, int]:
        """A place on the sheet as whole pixels of the file."""
        return round(self.px(left_mm - self.canvas_mm.left)), round(self.px(top_mm - self.canvas_mm.top))

    def lay(self, image: pyvips.Image, left_px: int, top_px: int) -> None:
        """A picture at a place of the file."""
        self._pieces.append((image, left_px, top_px))

    def type_px(self, text: str, left_px: int, base_px: int, cap_mm: float) -> None:
        """A line of type from its left end, on its base line."""
        mask, base = lettered(text, cap_mm, self.ppi)
        self._ink(mask, left_px, base_px - base)

    def type(self, text: str, left_mm: float, base_mm: float, cap_mm: float) -> None:
        """The same at a place on the sheet."""
        self.type_px(text, *self.at(left_mm, base_mm), cap_mm)

    def rule(self, left_mm: float, top_mm: float, width_mm: float) -> None:
        """A thin level line."""
        thick, long = max(1, round(self.px(LINE_MM))), max(1, round(self.px(width_mm)))
        self._ink(np.full((thick, long), _INKED, np.uint8), *self.at(left_mm, top_mm))

    def dot_px(self, left_px: int, base_px: int, across_mm: float) -> None:
        """A solid dot that stands on a base line."""
        side = max(3, round(self.px(across_mm)))
        y, x = np.mgrid[0:side, 0:side] - (side - 1) / 2
        share = np.clip(side / 2 - np.hypot(x, y) + 0.5, 0, 1)
        self._ink(np.round(share * _INKED).astype(np.uint8), left_px, base_px - side)

    def made(self) -> pyvips.Image:
        """All of it on bare paper, 16 bits; lazy."""
        height, width = self._mask.shape
        share = np.arange(_INKED + 1)[:, np.newaxis] / _INKED
        codes = np.rint(WHITE + (np.array(self.ink) - WHITE) * share).astype(np.uint16)
        table = pyvips.Image.new_from_memory(codes.tobytes(), len(codes), 1, len(self.ink), "ushort")
        mask = pyvips.Image.new_from_memory(self._mask, width, height, 1, "uchar")
        out = mask.maplut(table).copy(interpretation="rgb16")
        for image, left, top in self._pieces:
            out = out.insert(image, left, top)
        return out

    def _ink(self, mask: Mask, left: int, top: int) -> None:
        """Ink where the mask has it, as far as it lies on the page."""
        height, width = self._mask.shape
        rows, columns = (
            slice(max(0, top), min(height, top + mask.shape[0])),
            slice(max(0, left), min(width, left + mask.shape[1])),
        )
        if rows.start < rows.stop and columns.start < columns.stop:
            here = self._mask[rows, columns]
            np.maximum(
                here,
                mask[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left],
                out=here,
            )


@lru_cache(
    maxsize=256
)  # a legend is set before its last word is known, and values come again from patch to patch
def lettered(text: str, cap_mm: float, ppi: float) -> tuple[Mask, int]:
    """A line of type as a mask, and the row of its base line."""
    return line(text or " ", cap_mm=cap_mm, ppi=ppi)
