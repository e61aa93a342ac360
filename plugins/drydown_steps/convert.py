"""The step `convert`: from the picture's profile to the stock's. It converts, it never merely assigns."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pydantic import model_validator

from drydown.api import Field, Frame, Hold, Intent, Job, Note, Refusal, Settings, step

ABSOLUTE_ALONE = (
    "absolute is for imitating another paper: it carries that paper's white along, so that plain white prints as a tint that stops at the "
    "picture's edge; set hard_proof = true and imitate to that paper's profile, or take relative"
)


class Convert(Settings):
    """How colours are carried over to the paper."""

    intent: Intent | None = Field(
        default=None,
        description="Rendering intent: perceptual, relative (media-relative colorimetric) or saturation; absolute only with hard_proof. "
        "Not given: the stock's.",
    )
    black_point_compensation: bool | None = Field(
        default=None,
        description="Scale the picture's black to the paper's, so that shadows keep their steps. Not given: the stock's.",
    )
    hard_proof: bool = Field(
        default=False,
        description="Imitate another paper on this one: first to the profile named by imitate, then ICC-absolute colorimetric to the stock's.",
    )
    imitate: Path | None = Field(
        default=None,
        description="ICC profile of the paper and printer to imitate. Needed by hard_proof.",
    )

    @model_validator(mode="after")
    def _hard_proof_is_whole(self) -> Convert:
        if self.intent == "absolute" and not self.hard_proof:
            raise ValueError(ABSOLUTE_ALONE)
        if self.hard_proof and self.imitate is None:
            raise ValueError("hard_proof needs imitate, the profile of the paper to imitate")
        if self.imitate is not None and not self.hard_proof:
            raise ValueError("imitate is only read with hard_proof = true")
        return self


def convert(frame: Frame, settings: Convert, job: Job, /) -> Frame:
    """Convert the picture from its own profile to the stock's; a picture already in that profile passes through untouched."""
    from drydown.imaging.convert import same_profile

    if frame.icc is None:
        raise Refusal(
            f"{frame.source.name} carries no colour profile, so its colours are not known. "
            'Say untagged = "srgb" for this recipe, or export the picture again with its profile embedded.'
        )
    if frame.pixels.bands == _channels(frame.icc) + 1:
        raise Hold(
            "The picture still has transparency, and paper has none. Put flatten before convert in the recipe."
        )
    if settings.hard_proof:
        return _imitated(frame, settings, job)
    stock = job.stock
    intent = settings.intent or stock.intent
    if intent == "absolute":
        raise Hold(f"The stock {stock.name} asks for the intent absolute, but {ABSOLUTE_ALONE}.")
    if same_profile(frame.icc, stock.icc):
        return frame.with_(
            icc=stock.icc, note="already in the stock's profile; passed through without conversion"
        )
    return _carried(frame, stock.icc, intent, _compensate(settings, job))


def _imitated(frame: Frame, settings: Convert, job: Job) -> Frame:
    """Source to the imitated paper as a print there would be made, then ICC-absolute to ours."""
    from drydown.imaging.convert import same_profile
    from drydown.imaging.icc import inspect

    assert settings.imitate is not None  # the validator has seen to it
    try:
        other = settings.imitate.read_bytes()
    except OSError as fault:
        raise Refusal(
            f"The profile to imitate, {settings.imitate}, cannot be read ({fault.strerror}). "
            "Correct imitate in the recipe."
        ) from None
    stock = job.stock
    asked = settings.intent or stock.intent
    first = "relative" if asked == "absolute" else asked
    there = (
        frame
        if same_profile(frame.icc or b"", other)
        else _carried(frame, other, first, _compensate(settings, job))
    )
    if "absolute" not in inspect(stock.icc).intents_back:
        raise Refusal(
            f"The profile of the stock {stock.name} has no colorimetric table, so another paper cannot be imitated on it. "
            "Take a profile that has one, or leave out hard_proof."
        )
    here = _carried(there, stock.icc, "absolute", False)
    digest = hashlib.sha256(other).hexdigest()
    return here.with_(
        note=Note(
            f"hard proof: imitates “{inspect(other).description}”",
            figures={"imitate": str(settings.imitate), "imitate_sha256": digest},
        )
    )


def _carried(frame: Frame, to: bytes, intent: Intent, compensate: bool) -> Frame:
    """One conversion, and what the record says of it."""
    from drydown.imaging import convert as colour
    from drydown.imaging.icc import inspect

    assert frame.icc is not None
    pixels = colour.convert(frame.pixels, frame.icc, to, intent=intent, black_point_compensation=compensate)
    used = colour.intent_used(to, intent)
    done, why = colour.compensation(to, used, compensate)
    source, target = inspect(frame.icc).description, inspect(to).description
    text = f"from “{source}” to “{target}”, {colour.INTENT_NAMES[used]}"
    if used != intent:
        text += f" (the profile has no table for {colour.INTENT_NAMES[intent]})"
    text += f", black point compensation {'on' if done else 'off'}" + (f" ({why})" if why else "")
    figures: dict[str, str | int] = {
        "from": source,
        "to": target,
        "intent": colour.INTENT_NAMES[used],
        "black_point_compensation": int(done),
        "black_point_compensation_asked": int(compensate),
    }
    return frame.with_(pixels=pixels, icc=to, note=Note(text, figures=figures))


def _compensate(settings: Convert, job: Job) -> bool:
    asked = settings.black_point_compensation
    return job.stock.black_point_compensation if asked is None else asked


def _channels(icc: bytes) -> int:
    """Channels of a profile, or 0 for one that cannot be read: `imaging.convert` refuses it in full sentences."""
    from drydown.imaging.icc import BadProfile, inspect

    try:
        return inspect(icc).channels
    except BadProfile:
        return 0


OFFER = step(name="convert", settings=Convert, run=convert)
