"""`crop`: the picture in the shape of its room on the sheet."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import field_validator

from drydown.api import MM_PER_INCH, Box, Field, Frame, Job, Note, Settings, SizeMm, step

_ASPECT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*")


class Crop(Settings):
    """How the picture is fitted to the sheet."""

    aspect: str = Field(
        "sheet",
        description="Shape to crop to: 'sheet' is the sheet less its margins, or width to height such as '17:11'. Turned to suit the picture.",
    )
    fit: Literal["fill", "whole"] = Field(
        "fill",
        description="'fill' crops the picture to the shape; 'whole' crops nothing and fits the picture inside.",
    )
    focus_x: float = Field(
        0.5,
        ge=0,
        le=1,
        description="What stays in the middle where the sides are cropped: 0 left edge, 1 right.",
    )
    focus_y: float = Field(
        0.5,
        ge=0,
        le=1,
        description="What stays in the middle where top and bottom are cropped: 0 top, 1 bottom.",
    )
    loss_warning_percent: float = Field(
        8.0, ge=0, le=100, description="Share of the picture that may be lost before the job says so."
    )

    @field_validator("aspect")
    @classmethod
    def _readable(cls, text: str) -> str:
        if text != "sheet":
            _ratio(text)
        return text


def crop(frame: Frame, settings: Crop, job: Job, /) -> Frame:
    """Crop to the sheet's shape, turned to suit the picture, and set the true ppi.

    The ppi is the greater of the two directions, so that the picture fits its room whatever its shape.
    """
    box = Box(0, 0, frame.width, frame.height)
    if settings.fit == "fill":
        box = _box(frame, settings, _shape(frame, settings, job))
    room = job.picture(turned=job.turned_for(box.width, box.height))
    ppi = max(box.width / room.width, box.height / room.height) * MM_PER_INCH
    pixels = frame.pixels
    if (box.width, box.height) != (frame.width, frame.height):
        pixels = pixels.crop(box.left, box.top, box.width, box.height)
    return frame.with_(pixels=pixels, ppi=ppi, note=_note(frame, settings, box, ppi))


def _shape(frame: Frame, settings: Crop, job: Job) -> float:
    """Width to height of what is wanted, lying or standing as the picture does.

    Where a wide binding edge makes a turned sheet's room stand, the picture is given the upright sheet's: the sheet is turned by what
    comes out, so that every later step and the sheet maker agree.
    """
    lying = job.turned_for(frame.width, frame.height)
    if settings.aspect != "sheet":
        ratio = _ratio(settings.aspect)
        return max(ratio, 1 / ratio) if lying else min(ratio, 1 / ratio)
    room = job.picture(turned=lying)
    if job.turned_for(room.width, room.height) != lying:
        room = job.picture(turned=not lying)
    return room.width / room.height


def _box(frame: Frame, settings: Crop, shape: float) -> Box:
    """The largest part of that shape around the focus, as far as the picture's edges allow."""
    if frame.width / frame.height > shape:
        width, height = max(1, round(frame.height * shape)), frame.height
    else:
        width, height = frame.width, max(1, round(frame.width / shape))
    left = _held(settings.focus_x * frame.width - width / 2, frame.width - width)
    top = _held(settings.focus_y * frame.height - height / 2, frame.height - height)
    return Box(left, top, width, height)


def _note(frame: Frame, settings: Crop, box: Box, ppi: float) -> Note:
    loss_percent = 100 * (1 - box.width * box.height / (frame.width * frame.height))
    size = SizeMm(box.width / ppi * MM_PER_INCH, box.height / ppi * MM_PER_INCH)
    figures = {
        "loss_percent": round(loss_percent, 2),
        "left_px": box.left,
        "top_px": box.top,
        "width_px": box.width,
        "height_px": box.height,
        "ppi": round(ppi, 2),
    }
    where = f"{box.width} x {box.height} of {frame.width} x {frame.height} pixels, {size.width:.1f} x {size.height:.1f} mm at {ppi:.0f} ppi"
    if loss_percent <= settings.loss_warning_percent:
        return Note(f"{where}; {loss_percent:.1f} % cropped away", figures=figures)
    sides = "left and right" if box.width < frame.width else "top and bottom"
    text = (
        f"{loss_percent:.1f} % of the picture is cropped away at the {sides} (a warning from {settings.loss_warning_percent:g} % on): "
        f"{where}. Set fit = 'whole', move the focus, or choose a sheet of another shape"
    )
    return Note(text, level="warning", figures=figures)


def _held(start: float, most: int) -> int:
    return min(max(0, round(start)), most)


def _ratio(text: str) -> float:
    found = _ASPECT.fullmatch(text)
    if not found or not float(found[1]) or not float(found[2]):
        raise ValueError(f"'{text}' is no shape; write 'sheet', or width to height such as '17:11'")
    return float(found[1]) / float(found[2])


OFFER = step(name="crop", settings=Crop, run=crop, resizes=True)
