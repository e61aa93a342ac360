"""What a strip says in its legend, statement by statement. Words alone: no places and no pixels."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from drydown.api import Job
from drydown.imaging.strip_caption import LETTERS, names, shown_value
from drydown.imaging.strip_layout import Part
from drydown.imaging.strip_legend import Line
from drydown.imaging.strip_region import Region
from drydown.imaging.strip_series import INKS, Series

NOT_STATED = "not stated"
_PARTS = {
    "first-half": "first half of the sheet",
    "second-half": "second half: the sheet goes in again turned half round, its blank end first",
    "quarter-1": "first quarter of the sheet",
    "quarter-2": "second quarter of the sheet",
    "quarter-3": "third quarter: the sheet goes in again turned half round, its blank end first",
    "quarter-4": "fourth quarter: the sheet goes in again turned half round, its blank end first",
}


def title(series: Series, step_cc: float) -> str:
    """What kind of strip it is; `step_cc` is a ring-around's."""
    if series.kind == "ring-around":
        return f"Colour ring-around, {step_cc:g} CC, lightness held"
    if series.kind == "survey":
        return "Survey of colour and tone: name the best three to five, in order"
    if series.kind == "exposure":
        return "Exposure series: lift" + (" and contrast" if len(series.keys) > 1 else "")
    if series.kind == "points":
        return "Chosen points: " + ", ".join(names(series.keys, wide_mm=inf))
    return " and ".join(series.keys) + " varied"


def legend(
    job: Job,
    series: Series,
    regions: Sequence[Region],
    part: Part,
    *,
    picture_names: Sequence[str],
    wide_mm: float,
) -> list[Line]:
    """The statements, the ones that a judge needs first. `picture_names` is empty unless names are wanted; `wide_mm` is how wide captions may be."""
    stock, ticket = job.stock, job.stock.ticket
    dry = f"not before {stock.dry_minutes} min" if stock.dry_minutes is not None else "only when dry"
    said = [
        *_other_quality(job),
        Line(f"judge {dry}, from {job.viewing_mm:g} mm away"),
        Line("printed at:", write=True),
        Line(f"judged under ({job.light}):" if job.light else "judged under:", write=True),
        *map(Line, _sign(series, wide_mm)),
        Line(f"{_PARTS[part]}" if part in _PARTS else ""),
        Line(f"recipe {job.recipe}, for {job.final_sheet.name}; strip on {job.sheet.name}"),
        Line(
            f"stock {stock.name}, lot {stock.lot or NOT_STATED}; media {ticket.get('media_type') or NOT_STATED}"
        ),
        Line("" if stock.strip_quality else f"quality {ticket.get('quality') or NOT_STATED}, the final's"),
        Line(f"job {job.id}, {job.made[:16].replace('T', ' ')}"),
        *map(Line, _regions(regions)),
        Line("picture " + ", ".join(picture_names) if picture_names else ""),
    ]
    return [line for line in said if line.text]


def _other_quality(job: Job) -> list[Line]:
    if not job.stock.strip_quality:
        return []
    text = f"Printed at another quality ({job.stock.strip_quality}): for crop and sharpness, not for colour"
    return [Line(text, loud=True)]


def _sign(series: Series, wide_mm: float) -> list[str]:
    """What the numbers count, and what the centre is."""
    fields = [key.partition(".")[2] for key in series.keys]
    said = []
    if any(field in ("cyan", "magenta", "yellow") for field in fields):
        said.append("+M = more magenta on paper; 10 CC of C, M and Y darken mid-grey by 0.10")
    if series.kind == "ring-around":
        ring = next(
            (
                one
                for one in series.variations
                if one.label[:1] == "+" and one.label.endswith("M") and " " not in one.label
            ),
            None,
        )
        if ring is not None:
            laid = " ".join(
                f"{ink} {shown_value(key, _less(ring.values[key], series.base[key]))}"
                for ink, key in zip(INKS, series.keys, strict=True)
            )
            said.append(f"{ring.label} is laid down as {laid}")
    called = names(series.keys, wide_mm=wide_mm)
    base = ", ".join(
        f"{name} {shown_value(key, series.base[key])}" for key, name in zip(series.keys, called, strict=True)
    )
    said.append(f"dot: the recipe as it stands ({base})")
    letters = [f"{name} = {key}" for key, name in zip(series.keys, called, strict=True) if name in LETTERS]
    return [*said, *letters]


def _less(value: object, base: object) -> float:
    return (
        round(float(value) - float(base), 3)
        if isinstance(value, int | float) and isinstance(base, int | float)
        else 0.0
    )


def _regions(regions: Sequence[Region]) -> list[str]:
    """Where the regions lie; for several pictures only how large they are, because each is outlined on its own."""
    size = f"{regions[0].size_mm.width:.0f} x {regions[0].size_mm.height:.0f} mm at final size"
    if len({region.picture for region in regions}) > 1:
        how = {region.chosen for region in regions}
        return [
            f"regions of {size}, "
            + ("chosen by rule" if how == {"by rule"} else "as said" if how == {"given"} else "some as said")
        ]
    said = []
    for region in regions:
        which = region.tone if len(regions) > 1 and region.tone else "region"
        how_chosen = "chosen by rule" if region.chosen == "by rule" else "as said"
        said.append(f"{which} at {region.x_mm:.0f}, {region.y_mm:.0f} mm, {size}, {how_chosen}")
    return said
