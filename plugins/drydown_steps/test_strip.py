"""`test-strip`: variations of one region of the picture, at final size and final sharpness, on the proof sheet of the same stock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

from pydantic import field_validator, model_validator

from drydown.api import Field, Finished, Job, Note, Refusal, Render, Settings, Value, sheet_maker

if TYPE_CHECKING:
    from drydown.imaging.strip_series import Series
    from drydown.imaging.strip_sheet import Strip, Subject

Kind = Literal["ring-around", "exposure", "vary", "points"]
Part = Literal["whole", "first-half", "second-half", "quarter-1", "quarter-2", "quarter-3", "quarter-4"]

_FIRST_CC: Final = 10.0
_VERIFIED_CC: Final = 4.0
_USUAL_COUNT: Final = 5
#: What a setting is stepped by where nothing is said: (step, whether it multiplies, least, most). Beyond the limits there is no patch.
_USUAL: Final[Mapping[str, tuple[float, bool, float, float]]] = {
    "cyan": (0.0, False, -60, 60),  # the step in CC
    "magenta": (0.0, False, -60, 60),
    "yellow": (0.0, False, -60, 60),
    "lift_L": (2.0, False, -12, 12),
    "contrast": (1.08, True, 0.8, 1.25),
    "strength": (0.15, False, 0, 1),
}
#: What a value of nothing does nothing: the picture before tone and balance.
_IDENTITY: Final[Mapping[str, float]] = {"cyan": 0.0, "magenta": 0.0, "yellow": 0.0, "lift_L": 0.0, "contrast": 1.0}


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
        description="'ring-around': colour about the recipe as it stands, lightness held; 'exposure': lift and contrast; 'vary': what vary says. "
        "Not given: points or vary where they are, else the ring-around.",
    )
    vary: tuple[str, ...] = Field(
        default=(),
        max_length=2,
        description="One or two settings, each as STEP.setting, such as ['sharpen.strength']: columns by the first, rows by the second.",
    )
    values: tuple[tuple[float, ...], ...] = Field(
        default=(), max_length=2, description="The values of each setting in vary, a list for each, in the setting's own unit."
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
        default=(), max_length=64, description="Patches one by one, each {'STEP.setting' = value, …}. Go before vary and series."
    )
    step_cc: float | None = Field(
        default=None, gt=0, le=30, description="Step of the colour ring-around, in CC. Not given: 10, or 4 where verified."
    )
    verified: bool = Field(default=False, description="The stock's last verification passed: the first ring is 4 CC. The program sets it.")
    lift_step_L: float = Field(default=2.0, gt=0, le=4, description="Step of the exposure series, in L* of a mid-grey.")
    contrast_step: float = Field(default=1.08, gt=1, le=1.2, description="Step of the exposure series in contrast, as a factor.")
    patches: int | None = Field(
        default=None,
        ge=3,
        le=64,
        description="How many patches the strip has: 7, 13 or 19 in a ring-around; with step, as many as make odd counts. Not given: 13, or 7 in a group proof.",
    )
    patch_mm: float | None = Field(
        default=None, ge=25, le=120, description="Side of each patch, square, in mm. Not given: as large as the sheet allows."
    )
    region: tuple[Region, ...] = Field(
        default=(),
        max_length=6,
        description="Where the middle of each region lies, {x_mm = …, y_mm = …}; its size is the patch's. Not given: found by a stated rule.",
    )
    regions: Literal[1, 2] | None = Field(
        default=None, description="2 shows two regions of the picture in every variation, by rule a light one and a shadow. Not given: as many as are named."
    )
    part: Part = Field(
        default="whole",
        description="The part of the sheet to keep to, so that it can go in again: halves and quarters are counted as the sheet is fed, "
        "the later ones after it has been turned half round. Only where the stock says refeed = true.",
    )
    wedge: bool = Field(default=True, description="The neutral wedge and the control patches along the lower edge.")
    picture_name: bool = Field(
        default=False, description="The picture's file name in the legend as well. Off, because names of people stand there."
    )
    balance_step: str = Field(default="balance", description="What the recipe calls its step balance; the ring-around varies it.")
    tone_step: str = Field(default="tone-lift", description="What the recipe calls its step tone-lift; the exposure series varies it.")
    form: Literal["sheet", "printable"] | None = Field(
        default=None,
        description="What the file holds: the whole 'sheet' or its 'printable' area. Not given: printable where the stock states its unprintable edges.",
    )
    compression: Literal["none", "lzw", "zip"] = Field(default="none", description="Compression of the file, always without loss.")

    @field_validator("values", mode="before")
    @classmethod
    def _one_list(cls, given: Any) -> Any:
        numbers = isinstance(given, list | tuple) and bool(given) and all(isinstance(one, int | float) for one in given)
        return [given] if numbers else given

    @field_validator("step", "count", "vary", mode="before")
    @classmethod
    def _one_entry(cls, given: Any) -> Any:
        return [given] if isinstance(given, int | float | str) else given

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
    if asked.series in ("ring-around", "exposure") and asked.vary and not asked.points:
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
            return f"{name} has {len(given)} entries for {len(asked.vary)} settings in vary; give one for each"
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
    may not be fed again.
    """
    from drydown.imaging import strip_control, strip_layout, strip_sheet
    from drydown.imaging.sheets import default_form

    if settings.part != "whole" and not job.stock.refeed:
        raise Refusal(
            f"A strip on a part of the sheet means that the sheet goes in again, and stock '{job.stock.name}' does not say that it may. "
            "Set refeed = true in the stock if this printer takes a dry printed sheet, or leave part out."
        )
    renders = (render, *render.companions)
    keys = _keys(settings, group=len(renders) > 1)
    bases = [{key: _stands(one, key, job) for key in keys} for one in renders]
    form = settings.form or default_form(job.stock.unprintable_mm)
    if form == "picture":
        form = "sheet"
    try:
        room = strip_layout.room(job.sheet, job.stock.unprintable_mm, settings.part, form)
    except ValueError as error:
        raise Refusal(f"The file is to hold the printable area, but {error}. Give the stock its unprintable_mm, or set form = 'sheet'.") from None
    subjects = [strip_sheet.subject(one, job) for one in renders]
    icc = job.stock.icc
    ask = strip_sheet.Ask(
        title=_title(settings, keys),
        room=room,
        part=settings.part,
        ribbons=(strip_control.wedge(icc), strip_control.controls()) if settings.wedge else (),
        patch_mm=settings.patch_mm,
        regions=_regions(settings, len(renders)),
        points_mm=_points_mm(settings, len(renders)),
        names=settings.picture_name,
    )
    strip = strip_sheet.make(subjects, _wanted(settings, subjects, keys, bases), ask, job)
    frame = strip.frame
    if settings.part in ("second-half", "quarter-3", "quarter-4"):
        frame = frame.with_(note=Note("turn the sheet half round, so that its blank end goes in first", level="warning"))
    return Finished(frame=frame, compression=settings.compression, form=form, record=_record(strip, subjects[0], job))


def _keys(settings: TestStrip, *, group: bool) -> tuple[str, ...]:
    """What differs between patches."""
    if settings.kind == "ring-around":
        return tuple(f"{settings.balance_step}.{ink}" for ink in ("cyan", "magenta", "yellow"))
    if settings.kind == "exposure":
        lift, contrast = f"{settings.tone_step}.lift_L", f"{settings.tone_step}.contrast"
        return (lift,) if group else (lift, contrast)
    if settings.kind == "vary":
        return settings.vary
    return tuple(dict.fromkeys(key for point in settings.points for key in point))


def _stands(render: Render, key: str, job: Job) -> Value | None:
    """A setting as the recipe has it; what a recipe leaves to the stock, the stock's. Raises Refusal where it is not a number."""
    from drydown.imaging.strip_series import number

    value = render.setting(key)
    if value is None and key.endswith(".strength"):
        value = job.stock.sharpen_strength
    if value is not None:
        number(value, key)
    return value


def _regions(settings: TestStrip, pictures: int) -> int:
    """How many regions of each picture."""
    own = max((sum(one.picture == number for one in settings.region) for number in range(6)), default=0)
    if any(one.picture >= pictures for one in settings.region):
        raise Refusal(f"A region is given for picture {max(one.picture for one in settings.region)}, and the strip has {pictures} (they count from 0).")
    wanted = settings.regions or max(1, own)
    if own > wanted or wanted > 2 or (pictures > 1 and wanted > 1):
        most = "one region each" if pictures > 1 else "two regions"
        raise Refusal(f"{max(own, wanted)} regions of a picture were asked for, and a strip of {pictures} shows {most} at most. Name fewer.")
    return wanted


def _points_mm(settings: TestStrip, pictures: int) -> dict[int, list[tuple[float, float]]]:
    return {number: [(one.x_mm, one.y_mm) for one in settings.region if one.picture == number] for number in range(pictures)}


def _title(settings: TestStrip, keys: Sequence[str]) -> str:
    from drydown.imaging.strip_words import title

    return title(settings.kind, keys, _radius_cc(settings))


def _radius_cc(settings: TestStrip) -> float:
    return settings.step_cc or (_VERIFIED_CC if settings.verified else _FIRST_CC)


def _wanted(
    settings: TestStrip, subjects: Sequence[Subject], keys: Sequence[str], bases: Sequence[Mapping[str, Value | None]]
) -> Iterator[list[Series]]:
    """The series of each picture; where a count is open, the largest first."""
    from drydown.imaging import strip_series as series

    group = len(subjects) > 1
    pairs = list(zip(subjects, bases, strict=True))
    if settings.kind == "ring-around":
        count = settings.patches or (7 if group else 13)
        if count not in series.RINGS:
            raise Refusal(f"A ring-around has 7, 13 or 19 patches, and patches = {count} was asked for. Take one of these, or vary two settings.")
        radius = _radius_cc(settings)
        yield [
            series.ring_around(keys, base, _per_cc(one.render, settings.balance_step), step_cc=radius, patches=count) for one, base in pairs
        ]
    elif settings.kind == "points":
        yield [series.pointed(settings.points, base, stands_first=group) for base in bases]
    elif settings.values:
        yield [series.grid("vary", keys, base, settings.values, stands_first=group) for base in bases]
    else:
        for counts in _counts(settings, len(keys)):
            yield [series.grid(settings.kind, keys, base, _stepped(settings, keys, base, counts)) for base in bases]


def _counts(settings: TestStrip, keys: int) -> Iterator[tuple[int, ...]]:
    """How many values of each setting; several answers where the sheet is to be filled with patches of a given size."""
    if settings.count:
        yield settings.count
    elif settings.kind == "exposure":
        yield (_USUAL_COUNT, 3)[:keys]
    elif settings.patches is not None:
        each = settings.patches if keys == 1 else int(settings.patches**0.5)
        yield (max(3, each - (each + 1) % 2),) * keys
    elif settings.patch_mm is not None:
        yield from ((each,) * keys for each in range(25 if keys == 1 else 9, 1, -2))
    else:
        yield (_USUAL_COUNT,) * keys


def _stepped(settings: TestStrip, keys: Sequence[str], base: Mapping[str, Value | None], counts: Sequence[int]) -> list[list[float]]:
    """The values of each setting about the recipe's own. Raises Refusal where neither step nor start is known."""
    from drydown.imaging.strip_series import counted, number

    lists = []
    for index, (key, count) in enumerate(zip(keys, counts, strict=True)):
        field = key.partition(".")[2]
        usual = _USUAL.get(field)
        if base[key] is None:
            raise Refusal(f"The recipe leaves '{key}' open, so there is nothing to step from. Give values, or set it in the recipe.")
        step, factor, least, most = usual or (0.0, False, float("-inf"), float("inf"))
        if settings.step:
            step = settings.step[index]
        elif settings.kind == "exposure":
            step = settings.contrast_step if factor else settings.lift_step_L
        elif usual is None:
            raise Refusal(f"It is not known how far '{key}' is to be stepped. Give step, or values.")
        else:
            step = step or _radius_cc(settings)
        if factor and step <= 0:
            raise Refusal(f"The step of '{key}' is a factor, and {step:g} is none. Give one such as 1.08.")
        lists.append([value for value in counted(number(base[key], key), step, count, factor=factor) if least <= value <= most])
    return lists


def _per_cc(render: Render, step: str) -> list[tuple[float, float, float]]:
    """For each ink, what the step lays down of all three when that one gains 1 CC and lightness is held: the step itself says it."""
    found = []
    inks = ("cyan", "magenta", "yellow")
    for alone in inks:
        wanted: dict[str, Value] = {f"{step}.{ink}": 10.0 if ink == alone else 0.0 for ink in inks}
        said = [note.figures for note in render({**wanted, f"{step}.hold_lightness": True}).notes if note.step == step]
        if not said or not all(ink in said[-1] for ink in inks):
            raise Refusal(f"The step '{step}' does not say what it lays down, so lightness cannot be held. Name the step balance in balance_step, or vary its settings.")
        cyan, magenta, yellow = (float(said[-1][ink]) / 10 for ink in inks)
        found.append((cyan, magenta, yellow))
    return found


def _record(strip: Strip, first: Subject, job: Job) -> dict[str, Any]:
    """What `choose`, the next strip and the reading of a ranking need: JSON values."""
    from drydown.imaging.strip_sheet import samples

    own = strip.series[0]
    bare = {key: _IDENTITY.get(key.partition(".")[2], value) for key, value in own.base.items()}
    record = {
        "strip": 1,
        "series": own.kind,
        "vary": list(own.keys),
        "base": dict(own.base),
        "patches": [patch.record() for patch in strip.patches],
        "regions": [place.record() for place in strip.regions],
        "samples": samples(first, bare, strip.regions[0]),
        "other_quality": job.stock.strip_quality,
    }
    if len(strip.series) > 1:
        record["bases"] = [dict(one.base) for one in strip.series]
    return record


OFFER = sheet_maker(name="test-strip", settings=TestStrip, run=test_strip)
