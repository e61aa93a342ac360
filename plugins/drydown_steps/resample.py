"""`resample`: the picture in the stock's pixels at its final size."""

from __future__ import annotations

import math

from drydown.api import MM_PER_INCH, Field, Frame, Hold, Job, Note, Settings, step

HOLD_BELOW = 0.6  #: of the least ppi: from here on a print is soft for anybody (common practice, no source)
_CLOSE_PX = (
    1.5  #: so near to its room a picture takes the room's own pixels: it is the same size, rounded twice
)


class Resample(Settings):
    """Which resolution is enough."""

    min_source_ppi: float | None = Field(
        None,
        gt=0,
        le=2400,
        description="Pixels an inch of the picture at final size below which the job warns; below 0.6 of it the job is held. "
        "Unset: one pixel a minute of arc at the recipe's viewing_mm (218 at 400 mm).",
    )


def resample(frame: Frame, settings: Resample, job: Job, /) -> Frame:
    """Resample to the stock's ppi at final size: reduces in linear light above 1.5 times, enlarges in encoded values, no overshoot.

    Raises Hold where the picture has too few pixels for its size and nobody has said `anyway`.
    """
    from drydown.imaging.resize import resized

    doubt = _doubt(frame, settings, job)
    width, height = _target(frame, job)
    done = resized(frame.pixels, frame.icc, width, height)
    ratio = frame.ppi / job.stock.ppi
    note = Note(
        f"{frame.width} x {frame.height} to {width} x {height} pixels, {frame.ppi:.0f} to {job.stock.ppi:g} ppi: {done.text}",
        figures={"source_ppi": round(frame.ppi, 2), "ratio": round(ratio, 4), "how": done.how},
    )
    resampled = frame.with_(pixels=done.pixels, ppi=job.stock.ppi, note=note)
    return resampled.with_(note=doubt) if doubt else resampled


def least_ppi(viewing_mm: float) -> float:
    """Pixels an inch at which one pixel fills one minute of arc: 25.4 mm over the length of 1/60 degree at that distance.

    One minute is what a good eye separates (visual acuity 1.0, ISO 8596).

    >>> round(least_ppi(400)), round(least_ppi(300)), round(least_ppi(1000))
    (218, 291, 87)
    """
    return MM_PER_INCH / (viewing_mm * math.tan(math.radians(1 / 60)))


def _doubt(frame: Frame, settings: Resample, job: Job) -> Note | None:
    """A warning where the source is coarse for its size. Raises Hold where it is far too coarse."""
    least = settings.min_source_ppi or least_ppi(job.viewing_mm)
    if frame.ppi >= least:
        return None
    size = frame.size_mm
    good = frame.ppi / least
    why = "as set" if settings.min_source_ppi else f"one pixel a minute of arc at {job.viewing_mm:g} mm"
    text = (
        f"the picture has {frame.ppi:.0f} ppi at {size.width:.0f} x {size.height:.0f} mm, and {least:.0f} are asked for ({why}); "
        f"the largest good size is {size.width * good:.0f} x {size.height * good:.0f} mm"
    )
    if frame.ppi < HOLD_BELOW * least and not job.anyway:
        raise Hold(
            f"{text[0].upper()}{text[1:]}. Print smaller, export it with more pixels, or let it through with retry --anyway."
        )
    figures = {"source_ppi": round(frame.ppi, 2), "least_ppi": round(least, 2)}
    return Note(text, level="warning", figures=figures)


def _target(frame: Frame, job: Job) -> tuple[int, int]:
    """Whole pixels at final size."""
    room = job.picture(turned=job.turned_for(frame.width, frame.height)).px(job.stock.ppi)
    scale = job.stock.ppi / frame.ppi
    wanted = frame.width * scale, frame.height * scale
    close = max(_CLOSE_PX, scale)
    width, height = (
        own if abs(px - own) <= close else max(1, round(px)) for px, own in zip(wanted, room, strict=True)
    )
    return width, height


OFFER = step(name="resample", settings=Resample, run=resample, resizes=True)
