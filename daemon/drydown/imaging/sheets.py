"""A picture on its sheet: from millimetres to whole pixels, and the white around it.

Everything stays lazy and fit for sequential reading. Knows nothing of recipes, profiles or what the slug says.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pyvips

from drydown.api import MM_PER_INCH, Box, Job, Refusal, SizeMm
from drydown.geometry import (
    Form,
    RectMm,
    canvas,
    centred,
    default_form,
    hard_edges,
    inner,
    sheet_size,
    unreached,
)

__all__ = ["Placement", "assembled", "default_form", "placed"]

WHITE = 65535


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a picture lies: in mm on the sheet as it is seen, and in whole pixels in the file."""

    form: Form
    turned: bool
    ppi: float
    sheet_mm: SizeMm
    canvas_mm: RectMm  #: what the file holds of the sheet
    room_mm: RectMm
    picture_mm: RectMm
    canvas_px: tuple[int, int]
    picture_px: Box

    def px(self, left_mm: float, top_mm: float) -> tuple[int, int]:
        """A place on the sheet as whole pixels of the file."""
        return _px(left_mm - self.canvas_mm.left, self.ppi), _px(top_mm - self.canvas_mm.top, self.ppi)

    def record(self) -> dict[str, Any]:
        """JSON values for the job record."""
        box, mm = self.picture_px, self.picture_mm
        return {
            "form": self.form,
            "turned": self.turned,
            "ppi": self.ppi,
            "sheet_mm": [self.sheet_mm.width, self.sheet_mm.height],
            "file_mm": [round(self.canvas_mm.width, 3), round(self.canvas_mm.height, 3)],
            "file_px": list(self.canvas_px),
            "picture_mm": [round(v, 3) for v in (mm.left, mm.top, mm.width, mm.height)],
            "picture_px": [box.left, box.top, box.width, box.height],
        }


def placed(job: Job, width_px: int, height_px: int, form: Form) -> Placement:
    """A picture of so many pixels at the stock's ppi, in the middle of its room on the job's sheet.

    Whole pixels: the sheet and the printable area are their own mm at the stock's ppi, rounded to the nearest; the picture keeps its pixels.
    Raises Refusal where it does not fit the room, or would lie where the printer cannot reach.
    """
    ppi = job.stock.ppi
    turned = job.turned_for(width_px, height_px)
    size = sheet_size(job.sheet, turned=turned)
    edges = hard_edges(job.stock.unprintable_mm, turned=turned)
    room = inner(size, job.margins_mm)
    picture = SizeMm(width_px / ppi * MM_PER_INCH, height_px / ppi * MM_PER_INCH)
    faults = unreached(job.margins_mm, edges, turned=turned)
    if faults:
        raise Refusal(f"The sheet cannot be printed as asked: {'; '.join(faults)}.")
    _check_fit(job, picture, room)
    place = centred(room, picture)
    try:
        part = canvas(form, size, edges, place)
    except ValueError as error:
        raise Refusal(
            f"The file is to hold the printable area, but {error}. Give the stock its unprintable_mm, or set form = 'sheet'."
        ) from None
    if form == "picture":
        return Placement(
            form, turned, ppi, size, part, room, place, (width_px, height_px), Box(0, 0, width_px, height_px)
        )
    # held inside: rounding both may leave the last pixel row of a picture one pixel outside a tight canvas
    canvas_px = part.size.px(ppi)
    left = min(max(0, _px(place.left - part.left, ppi)), canvas_px[0] - width_px)
    top = min(max(0, _px(place.top - part.top, ppi)), canvas_px[1] - height_px)
    return Placement(
        form, turned, ppi, size, part, room, place, canvas_px, Box(left, top, width_px, height_px)
    )


def assembled(
    picture: pyvips.Image, place: Placement, pieces: Iterable[tuple[pyvips.Image, int, int]] = ()
) -> pyvips.Image:
    """The file's pixels: the picture on device white (RGB and grey: full), and small pieces such as lettering at (left, top)."""
    width, height = place.canvas_px
    box = place.picture_px
    out = picture
    if (picture.width, picture.height) != (width, height):
        out = picture.embed(
            box.left, box.top, width, height, extend="background", background=[WHITE] * picture.bands
        )
    for piece, left, top in pieces:
        out = out.insert(piece, left, top)
    return out


def _check_fit(job: Job, picture: SizeMm, room: RectMm) -> None:
    half_px = 0.5 / job.stock.ppi * MM_PER_INCH
    if picture.width > room.width + half_px + 1e-6 or picture.height > room.height + half_px + 1e-6:
        raise Refusal(
            f"The picture came to {picture.width:.1f} x {picture.height:.1f} mm at {job.stock.ppi:g} ppi, and the {job.sheet.name} sheet "
            f"has room for {room.width:.1f} x {room.height:.1f} mm. Put crop and resample into the recipe."
        )


def _px(mm: float, ppi: float) -> int:
    return round(mm / MM_PER_INCH * ppi)
