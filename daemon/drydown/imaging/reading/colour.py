"""Which profile a picture's pixels are in: embedded, stated, or, where neither, what the recipe says about untagged pictures. Never a guess."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drydown.api import Note
from drydown.errors import Refusal
from drydown.imaging import working
from drydown.imaging.icc import check_source, sums_up
from drydown.imaging.reading.found import CHANNELS, Found, Source

Untagged = Literal["srgb", "hold"]

_CHANGED = Note(
    "The embedded colour profile does not fit its own check sum: it was changed after it was made, or is damaged. Look at the preview's colours.",
    "warning",
)


@dataclass(frozen=True, slots=True)
class Tagged:
    """The profile, its name for the record, where it came from, and what is to be said."""

    icc: bytes
    name: str
    origin: Literal["embedded", "stated", "untagged", "converted"]
    notes: tuple[Note, ...] = ()


def profile_of(source: Source, found: Found, untagged: Untagged) -> Tagged:
    """Settle the profile of a picture.

    Raises `Refusal` for an embedded profile that is damaged or does not fit the channels and for CMYK without one; `Hold` for an
    untagged picture where the recipe says so.
    """
    channels = CHANNELS[found.colour]
    if found.icc:
        try:
            info = check_source(found.icc, channels=channels)
        except Refusal as refusal:
            raise Refusal(f"{source.name}: {refusal.sentence}") from None
        notes = () if sums_up(found.icc) else (_CHANGED,)
        return Tagged(found.icc, info.description, "converted" if found.converted else "embedded", notes)
    if found.colour == "cmyk":
        raise source.refusal(
            "is CMYK without a colour profile, so nobody can know which colours its inks make",
            "Export it with its profile embedded, or as RGB",
        )
    if found.stated is not None and found.stated.sure:
        return _stated(source, found)
    hint = f"; {found.stated.words}" if found.stated is not None else ""
    if untagged == "hold":
        raise source.hold(
            f"has no colour profile{hint}, and this recipe holds untagged pictures",
            'Embed its profile and drop it again, or say untagged = "srgb" in the recipe and retry',
        )
    tagged = _stated(source, found) if found.stated is not None else _plain_srgb(found)
    said = f"No colour profile is embedded{hint}. Read as {tagged.name}, as the recipe says of untagged pictures."
    return Tagged(tagged.icc, tagged.name, "untagged", (Note(said, "warning"),))


def _plain_srgb(found: Found) -> Tagged:
    icc = working.grey_srgb() if found.colour == "grey" else working.srgb()
    return Tagged(icc, check_source(icc, channels=CHANNELS[found.colour]).description, "untagged")


def _stated(source: Source, found: Found) -> Tagged:
    """Build the profile that a file describes in numbers."""
    assert found.stated is not None
    try:
        icc = found.stated.grey() if found.colour == "grey" else found.stated.rgb()
        info = check_source(icc, channels=CHANNELS[found.colour])
    except (Refusal, ValueError, ArithmeticError, np.linalg.LinAlgError):
        raise source.refusal(
            "states colours by numbers that describe no colour space",
            "Export it with a colour profile embedded",
        ) from None
    return Tagged(
        icc, info.description, "stated", (Note(f"No profile is embedded, but {found.stated.words}."),)
    )
