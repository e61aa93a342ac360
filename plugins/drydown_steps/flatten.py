"""`flatten`: what can be seen through becomes paper white."""

from __future__ import annotations

from drydown.api import Frame, Job, Settings, step


class Flatten(Settings):
    """No settings: there is one right way."""


def flatten(frame: Frame, settings: Flatten, job: Job, /) -> Frame:
    """Lay a picture with transparency on paper white; a picture without passes untouched.

    White is the picture's own: full in grey and RGB, no ink in CMYK. Opaque pixels keep their value bit for bit.
    """
    from drydown.imaging.alpha import on_white

    if not frame.pixels.hasalpha():
        return frame
    return frame.with_(pixels=on_white(frame.pixels), note="transparent parts were laid on paper white")


OFFER = step(name="flatten", settings=Flatten, run=flatten)
