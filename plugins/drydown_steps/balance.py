"""The step `balance`: a little more or less of one ink, in CC as counted on the print."""

from __future__ import annotations

from drydown.api import Field, Frame, Hold, Job, Note, Settings, step

_LIMIT_CC = 60.0
_PROOFING_CC = 20.0
_SIGN = "Positive: the print gains it, as if seen through that viewing filter (an enlarger's filtration has another sign and size)."


class Balance(Settings):
    """Ink added, in CC: equivalent neutral density on the print, times 100. 10 of all three darkens mid-grey by 0.10."""

    cyan: float = Field(default=0.0, ge=-_LIMIT_CC, le=_LIMIT_CC, description=f"Cyan in CC. {_SIGN}")
    magenta: float = Field(default=0.0, ge=-_LIMIT_CC, le=_LIMIT_CC, description=f"Magenta in CC. {_SIGN}")
    yellow: float = Field(default=0.0, ge=-_LIMIT_CC, le=_LIMIT_CC, description=f"Yellow in CC. {_SIGN}")
    hold_lightness: bool = Field(
        default=False,
        description="Take the common part out of the three, so that mid-grey keeps its lightness and only its colour turns.",
    )


def balance(frame: Frame, settings: Balance, job: Job, /) -> Frame:
    """Shift the colour of the print, on the neutral response of the profile that the picture is in."""
    from drydown.imaging.convert import same_profile
    from drydown.imaging.neutral import neutral_response
    from drydown.imaging.tone import apply_table, balance_table, laid_down

    asked = (settings.cyan, settings.magenta, settings.yellow)
    if not any(asked):
        return frame
    response = neutral_response(frame.icc, channels=frame.pixels.bands)
    inks = laid_down(response, asked) if settings.hold_lightness else asked
    cyan, magenta, yellow = inks
    try:
        table = balance_table(response, cyan=cyan, magenta=magenta, yellow=yellow)
    except ValueError as reason:
        raise Hold(f"This profile cannot be balanced: {reason}. Leave the step out.") from None
    balanced = frame.with_(
        pixels=apply_table(frame.pixels, table),
        note=Note(
            f"laid down in CC: cyan {cyan:+.1f}, magenta {magenta:+.1f}, yellow {yellow:+.1f}",
            figures={"cyan": cyan, "magenta": magenta, "yellow": yellow},
        ),
    )
    large = max(map(abs, asked)) > _PROOFING_CC
    if large and frame.icc is not None and same_profile(frame.icc, job.stock.icc):
        return balanced.with_(
            note=f"more than a proofing move ({_PROOFING_CC:g} CC): the same step before convert holds colours better, "
            "and a cast this large usually means a wrong profile or media type"
        )
    return balanced


OFFER = step(name="balance", settings=Balance, run=balance)
