"""From series and pictures to the sheet of a test strip: regions are chosen, patches rendered and checked, everything laid in its place.

Knows renders and jobs as the API gives them, and nothing of recipes' settings but the values that vary.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pyvips

from drydown.api import MM_PER_INCH, Box, Frame, Job, Note, Refusal, Render, SizeMm, Value
from drydown.imaging import strip_caption as caption
from drydown.imaging import strip_legend as legend
from drydown.imaging import strip_region as region
from drydown.imaging.convert import same_profile
from drydown.imaging.icc_lut import Floats
from drydown.imaging.strip_control import Ribbon
from drydown.imaging.strip_layout import MOST_PATCH_MM, Laid, Part, Room, Wish, lay
from drydown.imaging.strip_page import Page, neutral_ink
from drydown.imaging.strip_region import Region, Tone
from drydown.imaging.strip_series import Series, Variation, arrangements
from drydown.imaging.strip_small import small, small_Lab
from drydown.imaging.strip_words import legend as statements

_SAMPLES_A_SIDE: Final = 20
_ANYWHERE: Final = SizeMm(888, 888)  #: as wide as a region's words become


@dataclass(frozen=True, slots=True, eq=False)
class Subject:
    """One picture of a strip: how to render it, and how it looks small."""

    render: Render
    small: Frame

    @property
    def size_px(self) -> tuple[int, int]:
        """Of the finished picture."""
        return self.render.size


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a strip is to be, besides its series."""

    title: str
    room: Room
    part: Part
    ribbons: tuple[Ribbon, ...]
    patch_mm: float | None
    regions: int  #: of each picture
    points_mm: Mapping[int, Sequence[tuple[float, float]]]  #: picture -> middles of regions that are given
    names: bool  #: the pictures' names in the legend


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """One patch, rendered."""

    name: str
    row: int
    column: int
    variation: Variation
    picture: int
    region: int
    pixels: pyvips.Image
    box: Box

    def record(self) -> dict[str, Any]:
        """JSON values: what `choose` needs."""
        box = self.box
        return {
            "name": self.name,
            "row": self.row,
            "column": self.column,
            "values": dict(self.variation.values),
            "centre": self.variation.centre,
            "picture": self.picture,
            "region": self.region,
            "box_px": [box.left, box.top, box.width, box.height],
        }


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A finished strip: the whole file, and what the record must remember of it."""

    frame: Frame
    series: tuple[Series, ...]
    patches: tuple[Patch, ...]
    regions: tuple[Region, ...]


def subject(render: Render, job: Job) -> Subject:
    """A picture, looked at once. Raises Refusal where it does not reach the sheet in the stock's profile and pixels."""
    less = small(render, job.scratch)
    if less.icc is None or not same_profile(less.icc, job.stock.icc):
        raise Refusal(
            f"The picture reached the strip in another profile than that of stock '{job.stock.name}'. Put convert into the recipe."
        )
    if less.pixels.hasalpha():
        raise Refusal("The picture reached the strip with transparent parts. Put flatten into the recipe.")
    return Subject(render, less)


def make(subjects: Sequence[Subject], wanted: Iterable[Sequence[Series]], ask: Ask, job: Job) -> Strip:
    """The first of the `wanted` series (one a picture) that fits, laid and rendered.

    Raises Refusal where none fits or a region lies outside its picture.
    """
    shown = [legend.Shown(name, one.small.pixels, one.size_px) for one, name in zip(subjects, _row_names(subjects), strict=True)]
    series, laid, foot = _arranged(subjects, wanted, ask, shown, job)
    regions = [_regions(number, one, ask, laid, job) for number, one in enumerate(subjects)]
    page = Page(ask.room.canvas_mm, job.stock.ppi, neutral_ink(job.stock.icc))
    patches: list[Patch] = []
    frame: Frame | None = None
    for number, (one, own, places) in enumerate(zip(subjects, series, regions, strict=True)):
        for index, place in enumerate(places):
            made, centre = _rendered(number, index, one, own, place, laid, job)
            patches += made
            frame = frame or centre
    assert frame is not None
    wide_mm = _cell_mm(laid, job.stock.ppi)
    for patch in patches:
        page.lay(patch.pixels, patch.box.left, patch.box.top)
        if patch.region == 0:
            said = caption.parts(patch.variation, series[patch.picture].keys, wide_mm=wide_mm)
            rows = caption.broken(patch.name, said, wide_mm=wide_mm)
            caption.draw(page, patch.name, rows, *laid.caption(patch.row, patch.column))
    flat = tuple(place for places in regions for place in places)
    last = _foot(subjects, series[0], flat, ask, shown, job, least_mm=foot.legend_mm)
    legend.draw(page, last, [[place.box for place in places] for places in regions])
    whole = frame.with_(pixels=page.made(*ask.room.canvas_mm.size.px(job.stock.ppi)))
    return Strip(_noted(whole, flat, frame), tuple(series), tuple(patches), flat)


def samples(one: Subject, values: Mapping[str, Value | None], place: Region) -> list[list[int]]:
    """Up to 400 device values of a region, on an even grid of its pixels."""
    frame = one.render(_overrides(values), region=place.box)
    array = _array(frame.pixels)
    rows, columns = (
        np.unique(((np.arange(_SAMPLES_A_SIDE) + 0.5) / _SAMPLES_A_SIDE * side).astype(int)) for side in array.shape[:2]
    )
    found: list[list[int]] = array[np.ix_(rows, columns)].reshape(-1, array.shape[2]).tolist()
    return found


def _arranged(
    subjects: Sequence[Subject], wanted: Iterable[Sequence[Series]], ask: Ask, shown: Sequence[legend.Shown], job: Job
) -> tuple[list[Series], Laid, legend.Foot]:
    """The first series that fit, each variation with its place; the Refusal of the last where none does."""
    refused: Refusal | None = None
    for series in wanted:
        foot = _foot(subjects, series[0], _widest(ask), ask, shown, job)
        try:
            placed, laid = _laid(subjects, series, ask, foot, job)
        except Refusal as reason:
            refused = reason
            continue
        return placed, laid, foot
    raise refused or Refusal("No variation was asked for. Name a series, or settings to vary.")


def _laid(
    subjects: Sequence[Subject], series: Sequence[Series], ask: Ask, foot: legend.Foot, job: Job
) -> tuple[list[Series], Laid]:
    """The arrangement with the largest patches; reading order where no arrangement fits."""
    if len(series) > 1:
        rows = [_in_a_row(own, number) for number, own in enumerate(series)]
        shape = len(rows), len(rows[0].variations)
        return rows, _lay(subjects, rows, replace(rows[0], shape=shape), ask, foot, job)
    found: list[tuple[Series, Laid]] = []
    for candidate in arrangements(series[0]):
        try:
            found.append((candidate, _lay(subjects, [candidate], candidate, ask, foot, job)))
        except Refusal:
            continue
    if not found:
        flat = series[0].flat()
        found = [(flat, _lay(subjects, [flat], flat, ask, foot, job))]
    best, laid = max(found, key=lambda one: one[1].patch_px[0] * one[1].patch_px[1])
    return [_in_reading_order(best, laid)], laid


def _lay(
    subjects: Sequence[Subject], series: Sequence[Series], shaped: Series, ask: Ask, foot: legend.Foot, job: Job
) -> Laid:
    ppi = job.stock.ppi
    most = [min(MOST_PATCH_MM, *(one.size_px[side] / ppi * MM_PER_INCH for one in subjects)) for side in (0, 1)]

    def lines(wide_mm: float) -> int:
        wide_mm -= 2 * MM_PER_INCH / ppi  # what whole pixels may take away
        return max(
            len(caption.broken("A10", caption.parts(one, own.keys, wide_mm=wide_mm), wide_mm=wide_mm))
            for own in series
            for one in own.variations
        )

    wish = Wish(
        count=len(shaped.variations),
        shape=shaped.shape,
        block=ask.regions,
        lines=lines,
        patch_mm=None if ask.patch_mm is None else SizeMm(ask.patch_mm, ask.patch_mm),
        most_mm=SizeMm(*most),
    )
    return lay(wish, foot.left_for_patches, ask.room.canvas_mm, ppi)


def _in_a_row(series: Series, row: int) -> Series:
    flat = series.flat()
    return replace(flat, variations=tuple(replace(one, at=(row, column)) for column, one in enumerate(flat.variations)))


def _in_reading_order(series: Series, laid: Laid) -> Series:
    if series.shape is not None:
        return series
    placed = (replace(one, at=divmod(number, laid.columns)) for number, one in enumerate(series.variations))
    return replace(series, variations=tuple(placed))


def _foot(
    subjects: Sequence[Subject],
    series: Series,
    regions: Sequence[Region],
    ask: Ask,
    shown: Sequence[legend.Shown],
    job: Job,
    *,
    least_mm: float = 0.0,
) -> legend.Foot:
    named = [one.render.picture_name for one in subjects] if ask.names else []
    lines = statements(job, series, regions, ask.part, picture_names=named)
    return legend.foot(ask.room.inside_mm, ask.title, lines, shown, ask.ribbons, least_mm=least_mm)


def _widest(ask: Ask) -> list[Region]:
    """Regions whose words are as long as any: the legend's room is settled before the regions are."""
    one = Region(0, 888, 888, _ANYWHERE, Box(0, 0, 1, 1), "by rule", "shadow tones, ")
    return [one] * ask.regions


def _row_names(subjects: Sequence[Subject]) -> list[str]:
    return [""] if len(subjects) == 1 else [caption.cell_name(row, 0)[0] for row in range(len(subjects))]


def _regions(number: int, one: Subject, ask: Ask, laid: Laid, job: Job) -> list[Region]:
    """The regions of one picture: those that are given, then by the rule."""
    ppi, found = job.stock.ppi, list[Region]()
    points = ask.points_mm.get(number, ())
    Lab: Floats | None = None
    for index in range(ask.regions):
        if index < len(points):
            found.append(region.given(number, *points[index], laid.patch_px, one.size_px, ppi))
            continue
        Lab = small_Lab(one.small) if Lab is None else Lab
        tone: Tone = "" if ask.regions == 1 else "light" if index == 0 else "shadow"
        found.append(region.by_rule(number, Lab, laid.patch_px, one.size_px, ppi, tone=tone, others=found))
    return found


def _rendered(
    number: int, index: int, one: Subject, series: Series, place: Region, laid: Laid, job: Job
) -> tuple[list[Patch], Frame]:
    """Every variation of a region, in memory; the centre's frame, with a warning where the picture had to be rendered whole each time."""
    box = place.box
    centre = one.render(_overrides(series.centre.values), region=box)
    if abs(centre.ppi - job.stock.ppi) > 1e-6 * job.stock.ppi:
        raise Refusal(
            f"The picture reached the strip at {centre.ppi:.1f} ppi and stock '{job.stock.name}' prints at {job.stock.ppi:g}. Put resample into the recipe."
        )
    alone = centre.pixels.copy_memory()
    whole = one.render().pixels.crop(box.left, box.top, box.width, box.height).copy_memory()
    honest = bool(np.array_equal(_array(alone), _array(whole)))
    if not honest:
        most = int(np.abs(_array(alone).astype(np.int32) - _array(whole)).max())
        centre = centre.with_(note=_mistrust(most))
    patches = []
    for variation in series.variations:
        assert variation.at is not None
        row, column = variation.at
        if variation.centre:
            pixels = whole
        elif honest:
            pixels = one.render(_overrides(variation.values), region=box).pixels.copy_memory()
        else:
            made = one.render(_overrides(variation.values)).pixels
            pixels = made.crop(box.left, box.top, box.width, box.height).copy_memory()
        name = caption.cell_name(row, column)
        patches.append(Patch(name, row, column, variation, number, index, pixels, laid.patch(row, column, index)))
    return patches, centre


def _mistrust(most: int) -> Note:
    return Note(
        f"a step looks further around than it says: the centre patch worked on alone differs by up to {most} of 65535 from the same place of the whole picture. "
        "Every patch was cut from the whole picture instead, which is right and slow; the step's author should state its reach",
        level="warning",
        figures={"codes": most},
    )


def _noted(whole: Frame, regions: Sequence[Region], centre: Frame) -> Frame:
    for place in regions:
        text = f"region {place.size_mm.width:.1f} x {place.size_mm.height:.1f} mm at {place.x_mm:.1f}, {place.y_mm:.1f} mm, {place.chosen} ({place.why})"
        whole = whole.with_(note=text)
    return whole


def _overrides(values: Mapping[str, Value | None]) -> dict[str, Value]:
    return {key: value for key, value in values.items() if value is not None}


def _cell_mm(laid: Laid, ppi: float) -> float:
    across = laid.block[0]
    return (across * laid.patch_px[0] + (across - 1) * laid.gap_px) / ppi * MM_PER_INCH


def _array(pixels: pyvips.Image) -> np.ndarray[Any, np.dtype[np.uint16]]:
    return np.ndarray((pixels.height, pixels.width, pixels.bands), np.uint16, pixels.write_to_memory())
