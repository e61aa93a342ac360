"""`test-strip`: variations of one region of the picture, at final size and final sharpness, on the proof sheet of the same stock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

from pydantic import ValidationInfo, field_validator, model_validator

from drydown.api import Field, Finished, Hold, Job, Note, Refusal, Render, Settings, sheet_maker

if TYPE_CHECKING:
    from drydown.imaging.strip_plan import Asked
    from drydown.imaging.strip_sheet import Strip

Kind = Literal["ring-around", "survey", "exposure", "vary", "points"]
Part = Literal["whole", "first-half", "second-half", "quarter-1", "quarter-2", "quarter-3", "quarter-4"]

_FIRST_CC: Final = 10.0
_VERIFIED_CC: Final = 4.0


class Region(Settings):
    """A place of the picture, as it is printed at its final size."""

    x_mm: float = Field(ge=0, description="Middle of the region, in mm from the picture's left edge.")
    y_mm: float = Field(ge=0, description="Middle of the region, in mm from the picture's upper edge.")
    picture: int = Field(default=0, ge=0, le=5, description="Which picture of a group proof, from 0.")


class TestStrip(Settings):
    """What varies, which part of the picture is shown, and how the sheet is filled."""

    __test__ = False  # not a test of pytest's, whatever its name

    series: Kind | None = Field(
        default=None,
        description="'ring-around': colour about the recipe as it stands, lightness held; 'survey': 25 patches of colour and lift, laid so that naming the best few tells most; "
        "'exposure': lift and contrast; 'vary': what vary says. "
        "Not given: points or vary where they are, else the ring-around.",
    )
    vary: tuple[str, ...] = Field(
        default=(),
        max_length=2,
        description="One or two settings, each as STEP.setting, such as ['sharpen.strength']: columns by the first, rows by the second.",
    )
    values: tuple[tuple[float, ...], ...] = Field(
        default=(),
        max_length=2,
        description="The values of each setting in vary, a list for each, in the setting's own unit.",
    )
    step: tuple[float, ...] = Field(
        default=(),
        max_length=2,
        description="Instead of values: how far apart, a number for each setting in vary, in its own unit; for contrast a factor such as 1.08.",
    )
    count: tuple[int, ...] = Field(
        default=(),
        max_length=2,
        description="With step: how many values of each setting, an odd number, the recipe's own in the middle. Not given: 5, or what patches or patch_mm makes of it.",
    )
    points: tuple[dict[str, float], ...] = Field(
        default=(),
        max_length=64,
        description="Patches one by one, each {'STEP.setting' = value, …}. Go before vary and series.",
    )
    step_cc: float | None = Field(
        default=None,
        gt=0,
        le=30,
        description="Step of the colour ring-around, in CC. Not given: 10, or 4 where verified.",
    )
    verified: bool = Field(
        default=False,
        description="The stock's last verification passed: the first ring is 4 CC, and a survey reaches less far. The program sets it.",
    )
    lift_step_L: float = Field(
        default=2.0, gt=0, le=4, description="Step of the exposure series, in L* of a mid-grey."
    )
    contrast_step: float = Field(
        default=1.08, gt=1, le=1.2, description="Step of the exposure series in contrast, as a factor."
    )
    patches: int | None = Field(
        default=None,
        ge=3,
        le=64,
        description="How many patches the strip has: 7, 13 or 19 in a ring-around; with step, as many as make odd counts. Not given: 13, or 7 where no more fit, as in a group proof.",
    )
    patch_mm: float | None = Field(
        default=None,
        ge=25,
        le=120,
        description="Side of each patch, square, in mm. Not given: as large as the sheet allows.",
    )
    region: tuple[Region, ...] = Field(
        default=(),
        max_length=6,
        description="Where the middle of each region lies, {x_mm = …, y_mm = …}; its size is the patch's. Not given: found by a stated rule.",
    )
    regions: Literal[1, 2] | None = Field(
        default=None,
        description="2 shows two regions of the picture in every variation, by rule a light one and a shadow. Not given: as many as are named.",
    )
    part: Part = Field(
        default="whole",
        description="The part of the sheet to keep to, so that it can go in again: halves and quarters are counted as the sheet is fed, "
        "the later ones after it has been turned half round. Only where the stock says refeed = true.",
    )
    wedge: bool = Field(
        default=True, description="The neutral wedge and the control patches along the lower edge."
    )
    picture_name: bool = Field(
        default=False,
        description="The picture's file name in the legend as well. Off, because names of people stand there.",
    )
    balance_step: str = Field(
        default="balance", description="What the recipe calls its step balance; the ring-around varies it."
    )
    tone_step: str = Field(
        default="tone-lift",
        description="What the recipe calls its step tone-lift; the exposure series varies it.",
    )
    form: Literal["sheet", "printable"] | None = Field(
        default=None,
        description="What the file holds: the whole 'sheet' or its 'printable' area. Not given: printable where the stock states its unprintable edges.",
    )
    compression: Literal["none", "lzw", "zip"] = Field(
        default="none", description="Compression of the file, always without loss."
    )

    @field_validator("values", "step", "count", "vary", mode="before")
    @classmethod
    def _plain(cls, given: Any, info: ValidationInfo) -> Any:
        """One setting may be written without the outer brackets. Tuples, because that is what a strict reader then wants."""
        if isinstance(given, int | float | str) and not isinstance(given, bool):
            given = (given,)
        if info.field_name == "values" and isinstance(given, list | tuple):
            if given and all(isinstance(one, int | float) for one in given):
                given = (given,)
            return tuple(tuple(one) if isinstance(one, list) else one for one in given)
        return tuple(given) if isinstance(given, list) else given

    @model_validator(mode="after")
    def _asks_for_one_strip(self) -> TestStrip:
        fault = _doubt(self)
        if fault:
            raise ValueError(fault)
        return self

    @property
    def kind(self) -> Kind:
        """The series that is meant."""
        if self.points:
            return "points"
        return self.series or ("vary" if self.vary else "ring-around")


def _doubt(asked: TestStrip) -> str:
    """Why the settings ask for no strip, or for two; empty where all is well."""
    if asked.series in ("ring-around", "survey", "exposure") and asked.vary and not asked.points:
        return f"asks for two strips at once: series = '{asked.series}' and vary = {list(asked.vary)}; take one of them away, or set series = 'vary'"
    if asked.series == "vary" and not asked.vary:
        return "series = 'vary' needs vary, the settings to vary"
    if asked.series == "points" and not asked.points:
        return "series = 'points' needs points, the patches to lay"
    for key in (*asked.vary, *(key for point in asked.points for key in point)):
        step, dot, setting = key.partition(".")
        if not (step and dot and setting):
            return f"'{key}' names no setting; write STEP.setting, such as 'balance.magenta'"
    if len(set(asked.vary)) != len(asked.vary):
        return f"vary names {asked.vary[0]} twice"
    if asked.values and (asked.step or asked.count):
        return "give values, or step and count, not both"
    for name in ("values", "step", "count"):
        given = getattr(asked, name)
        if given and len(given) != len(asked.vary):
            return (
                f"{name} has {len(given)} entries for {len(asked.vary)} settings in vary; give one for each"
            )
    if any(len(set(some)) != len(some) or not some for some in asked.values):
        return "values must be different from each other, at least one for each setting"
    if any(count < 3 or count % 2 == 0 for count in asked.count):
        return "count must be odd and at least 3, so that the recipe as it stands is in the middle"
    if 0 in asked.step:
        return "step must not be 0"
    return ""


def test_strip(render: Render, settings: TestStrip, job: Job, /) -> Finished:
    """Lay variations of one region side by side, the recipe as it stands among them, to be judged on paper.

    Raises Refusal for a setting that does not exist or is not numeric, more patches than fit, a region outside the picture, a part of a sheet whose stock
    may not be fed again. Raises Hold where all patches look the same.
    """
    from drydown.imaging import strip_control, strip_layout, strip_patches, strip_plan, strip_sheet
    from drydown.imaging.sheets import default_form
    from drydown.imaging.strip_arrange import Ask

    if settings.part != "whole" and not job.stock.refeed:
        raise Refusal(
            f"A strip on a part of the sheet means that the sheet goes in again, and stock '{job.stock.name}' does not say that it may. "
            "Set refeed = true in the stock if this printer takes a dry printed sheet, or leave part out."
        )
    renders = (render, *render.companions)
    keys = _keys(settings, group=len(renders) > 1)
    bases = [{key: strip_plan.stands(one, key, job) for key in keys} for one in renders]
    form = settings.form or default_form(job.stock.unprintable_mm)
    if form == "picture":
        form = "sheet"
    try:
        room = strip_layout.room(job.sheet, job.stock.unprintable_mm, settings.part, form)
    except ValueError as error:
        raise Refusal(
            f"The file is to hold the printable area, but {error}. Give the stock its unprintable_mm, or set form = 'sheet'."
        ) from None
    icc = job.stock.icc
    ask = Ask(
        step_cc=_step_cc(settings),
        room=room,
        part=settings.part,
        ribbons=(strip_control.wedge(icc), strip_control.controls()) if settings.wedge else (),
        patch_mm=settings.patch_mm,
        regions=_regions(settings, len(renders)),
        points_mm=_points_mm(settings, len(renders)),
        names=[one.picture_name for one in renders] if settings.picture_name else [],
    )
    wanted = strip_plan.wanted(_asked(settings, keys), renders, bases)
    strip = strip_sheet.make(renders, wanted, ask, job)
    if not job.anyway and strip_patches.show_nothing(strip.patches):
        raise Hold(
            f"All {len(strip.patches)} patches look the same: where this strip looks, nothing of {', '.join(keys)} shows. Name another place with region, "
            "or values further apart, then retry; or let it be printed with retry --anyway."
        )
    frame = strip.frame
    if settings.part in ("second-half", "quarter-3", "quarter-4"):
        frame = frame.with_(
            note=Note("turn the sheet half round, so that its blank end goes in first", level="warning")
        )
    return Finished(
        frame=frame,
        compression=settings.compression,
        form=form,
        record=_record(strip, render, settings.part, job),
    )


def _keys(settings: TestStrip, *, group: bool) -> tuple[str, ...]:
    """What differs between patches."""
    inks = tuple(f"{settings.balance_step}.{ink}" for ink in ("cyan", "magenta", "yellow"))
    lift, contrast = f"{settings.tone_step}.lift_L", f"{settings.tone_step}.contrast"
    if settings.kind == "ring-around":
        return inks
    if settings.kind == "survey":
        return (*inks, lift)
    if settings.kind == "exposure":
        return (lift,) if group else (lift, contrast)
    if settings.kind == "vary":
        return settings.vary
    return tuple(dict.fromkeys(key for point in settings.points for key in point))


def _regions(settings: TestStrip, pictures: int) -> int:
    """How many regions of each picture."""
    own = max((sum(one.picture == number for one in settings.region) for number in range(6)), default=0)
    if any(one.picture >= pictures for one in settings.region):
        raise Refusal(
            f"A region is given for picture {max(one.picture for one in settings.region)}, and the strip has {pictures} (they count from 0)."
        )
    wanted = settings.regions or max(1, own)
    if own > wanted or wanted > 2 or (pictures > 1 and wanted > 1):
        most = "one region each" if pictures > 1 else "two regions"
        raise Refusal(
            f"{max(own, wanted)} regions of a picture were asked for, and a strip of {pictures} shows {most} at most. Name fewer."
        )
    return wanted


def _points_mm(settings: TestStrip, pictures: int) -> dict[int, list[tuple[float, float]]]:
    return {
        number: [(one.x_mm, one.y_mm) for one in settings.region if one.picture == number]
        for number in range(pictures)
    }


def _step_cc(settings: TestStrip) -> float:
    return settings.step_cc or (_VERIFIED_CC if settings.verified else _FIRST_CC)


def _asked(settings: TestStrip, keys: tuple[str, ...]) -> Asked:
    """The settings that decide what varies, and by how much."""
    from drydown.imaging.strip_plan import Asked

    return Asked(
        kind=settings.kind,
        keys=keys,
        values=settings.values,
        points=settings.points,
        step=settings.step,
        count=settings.count,
        step_cc=_step_cc(settings),
        lift_step_L=settings.lift_step_L,
        contrast_step=settings.contrast_step,
        patches=settings.patches,
        fills_sheet=settings.patch_mm is not None,
        balance_step=settings.balance_step,
        verified=settings.verified,
    )


def _record(strip: Strip, first: Render, part: Part, job: Job) -> dict[str, Any]:
    """What `choose`, the next strip and the reading of a ranking need: JSON values."""
    from drydown.imaging.strip_patches import samples
    from drydown.imaging.strip_plan import bare

    own = strip.series[0]
    record = {
        "strip": 1,
        "series": own.kind,
        "vary": list(own.keys),
        "base": dict(own.base),
        "patches": [patch.record() for patch in strip.patches],
        "regions": [place.record() for place in strip.regions],
        "samples": samples(first, bare(own.base), strip.regions[0]),
        "other_quality": job.stock.strip_quality,
        "part": part,
    }
    if len(strip.series) > 1:
        record["bases"] = [dict(one.base) for one in strip.series]
    return record


# passes stays "one": every call of the render opens the picture afresh, and reading in sequence takes a third of the memory of reading at random
OFFER = sheet_maker(name="test-strip", settings=TestStrip, run=test_strip)
