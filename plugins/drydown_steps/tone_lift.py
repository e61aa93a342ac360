"""The step `tone-lift`: lighter or darker, softer or harder, about mid-grey, with the paper's white and black where they are."""

from __future__ import annotations

from drydown.api import Field, Frame, Hold, Job, Note, Settings, step

#: Beyond these, the same step before `convert` keeps colours truer: saturated ones lag behind after it.
_PROOFING_LIFT_L = 4.0
_PROOFING_CONTRAST = (0.85, 1.15)


class ToneLift(Settings):
    """How much lighter the middle tones print, and how hard."""

    lift_L: float = Field(
        default=0.0,
        ge=-12,
        le=12,
        description="By how many L* a true mid-grey prints lighter (negative: darker). White and black stay where they are: "
        "this is not the lift of film grading, which moves black.",
    )
    contrast: float = Field(
        default=1.0,
        ge=0.8,
        le=1.25,
        description="Contrast about mid-grey; 1 changes nothing. Contrasts multiply: 1.1 and again 1.1 is 1.21.",
    )


def tone_lift(frame: Frame, settings: ToneLift, job: Job, /) -> Frame:
    """Lift the middle tones and turn the contrast about mid-grey, on the neutral response of the profile that the picture is in."""
    from drydown.imaging.neutral import neutral_response
    from drydown.imaging.tone import apply_table, tone_table

    if settings.lift_L == 0 and settings.contrast == 1:
        return frame
    response = neutral_response(frame.icc, channels=frame.pixels.bands)
    try:
        table = tone_table(response, lift_L=settings.lift_L, contrast=settings.contrast)
    except ValueError as reason:
        raise Hold(f"The tones cannot be lifted on this profile: {reason}. Ask for less.") from None
    lifted = frame.with_(
        pixels=apply_table(frame.pixels, table),
        note=Note(
            f"mid-grey {settings.lift_L:+.1f} L*, contrast {settings.contrast:.2f}",
            figures={"lift_L": settings.lift_L, "contrast": settings.contrast},
        ),
    )
    if not _is_proofing_move(settings) and _is_converted(frame, job):
        low, high = _PROOFING_CONTRAST
        return lifted.with_(
            note=f"more than a proofing move (lift {_PROOFING_LIFT_L:g} L*, contrast {low:g} to {high:g}): "
            "saturated colours stay behind; the same step before convert holds them better"
        )
    return lifted


def _is_proofing_move(settings: ToneLift) -> bool:
    low, high = _PROOFING_CONTRAST
    return abs(settings.lift_L) <= _PROOFING_LIFT_L and low <= settings.contrast <= high


def _is_converted(frame: Frame, job: Job) -> bool:
    from drydown.imaging.convert import same_profile

    return frame.icc is not None and same_profile(frame.icc, job.stock.icc)


OFFER = step(name="tone-lift", settings=ToneLift, run=tone_lift)
