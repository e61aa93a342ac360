"""The step `sharpen`: for ink, at the final size, by an amount tied to paper and eye and not to pixels."""

from __future__ import annotations

from drydown.api import MM_PER_INCH, Field, Frame, Job, Note, Settings, step

_GREY = 1
_LEAST_SIGMA_PX = (
    0.3  # below, a Gaussian's neighbours weigh less than a half per cent: there is nothing to sharpen with
)


class Sharpen(Settings):
    """How much detail is added back, and how fine."""

    strength: float | None = Field(
        default=None,
        ge=0,
        le=1,
        description="0 leaves the picture alone; 0.4 suits gloss and pearl, matte takes more. Not given: the stock's.",
    )
    radius_mm: float | None = Field(
        default=None,
        gt=0,
        le=0.5,
        description="Standard deviation of the Gaussian, in mm on paper. Not given: half a minute of arc at the viewing distance "
        "(0.058 mm at 400 mm).",
    )


def sharpen(frame: Frame, settings: Sharpen, job: Job, /) -> Frame:
    """Sharpen lightness for ink at the final size; grain and bare paper are spared."""
    from drydown.imaging.neutral import neutral_response
    from drydown.imaging.sharpen import sharpen as sharpened

    strength = job.stock.sharpen_strength if settings.strength is None else settings.strength
    if strength == 0:
        return frame
    radius_mm = _radius_mm(settings, job)
    sigma_px = radius_mm / MM_PER_INCH * frame.ppi
    if sigma_px < _LEAST_SIGMA_PX:
        return frame.with_(
            note=f"left alone: a radius of {radius_mm:.3f} mm is {sigma_px:.2f} pixels at {frame.ppi:.0f} ppi, too fine for the raster"
        )
    bands = frame.pixels.bands
    weights = (1.0,) if bands == _GREY else neutral_response(frame.icc, channels=bands).weights
    return frame.with_(
        pixels=sharpened(frame.pixels, sigma_px=sigma_px, strength=strength, weights=weights),
        note=Note(
            f"strength {strength:.2f}, radius {radius_mm:.3f} mm ({sigma_px:.2f} pixels)",
            figures={"strength": strength, "radius_mm": radius_mm, "sigma_px": sigma_px},
        ),
    )


def _radius_mm(settings: Sharpen, job: Job) -> float:
    from drydown.imaging.sharpen import default_radius_mm

    return default_radius_mm(job.viewing_mm) if settings.radius_mm is None else settings.radius_mm


def _reach_mm(settings: Sharpen, job: Job) -> float:
    """As far as the Gaussian is worked out, in whole pixels of the stock's raster."""
    from drydown.imaging.sharpen import reach_px

    ppi = job.stock.ppi
    return reach_px(_radius_mm(settings, job) / MM_PER_INCH * ppi) * MM_PER_INCH / ppi


OFFER = step(name="sharpen", settings=Sharpen, run=sharpen, reach=_reach_mm)
