"""From series and pictures to the sheet of a test strip: looked at, laid out, rendered, put together.

To evaluate a picture up to its final size takes longest and keeps one core busy; everything is laid out and set in type meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

from drydown.api import Frame, Job, Refusal, Render
from drydown.imaging import strip_caption as caption
from drydown.imaging import strip_legend as legend
from drydown.imaging import strip_region as region
from drydown.imaging.convert import same_profile
from drydown.imaging.icc_lut import Floats
from drydown.imaging.strip_arrange import Arrangement, Ask, arranged, footed
from drydown.imaging.strip_layout import Laid
from drydown.imaging.strip_page import Page, neutral_ink
from drydown.imaging.strip_patches import Patch, rendered
from drydown.imaging.strip_region import Region, Tone
from drydown.imaging.strip_series import Series
from drydown.imaging.strip_small import LONG_EDGE_PX, small_Lab

_WORKERS: Final = 2  #: more would only hold more pictures in memory: libvips brings threads of its own


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A finished strip: the whole file, and what the record must remember of it."""

    frame: Frame
    series: tuple[Series, ...]
    patches: tuple[Patch, ...]
    regions: tuple[Region, ...]


def make(renders: Sequence[Render], wanted: Iterable[Sequence[Series]], ask: Ask, job: Job) -> Strip:
    """The first of the `wanted` series (one a picture) that fits, laid and rendered.

    Raises Refusal where none fits, a region lies outside its picture, or a picture does not arrive in the stock's profile and pixels.
    """
    sizes_px = [one.size for one in renders]
    with ThreadPoolExecutor(_WORKERS, thread_name_prefix="strip") as workers:
        looked = [workers.submit(_looked_at, one, job) for one in renders]
        plan = arranged(sizes_px, wanted, ask, job)
        page = Page(ask.room.canvas_mm, job.stock.ppi, neutral_ink(job.stock.icc))
        _captions(page, plan)
        legend.prepare(page, plan.foot)
        smalls = [one.result() for one in looked]
        regions = [
            _regions(number, less, size, ask, plan.laid, job)
            for number, (less, size) in enumerate(zip(smalls, sizes_px, strict=True))
        ]
        patches: list[Patch] = []
        frames: list[Frame] = []
        for render, series, places in zip(renders, plan.series, regions, strict=True):
            for index, place in enumerate(places):
                made, centre = rendered(render, series, place, index, plan.laid, job, workers)
                patches += made
                frames.append(centre)
    for patch in patches:
        page.lay(patch.pixels, patch.box.left, patch.box.top)
    flat = tuple(place for places in regions for place in places)
    foot = footed(
        sizes_px,
        plan.series[0],
        flat,
        ask,
        job,
        cell_mm=plan.cell_mm,
        heads=plan.heads,
        least_mm=plan.foot.legend_mm,
    )
    shown = [
        legend.Small(less.pixels, size, [place.box for place in places])
        for less, size, places in zip(smalls, sizes_px, regions, strict=True)
    ]
    legend.draw(page, foot, shown)
    if plan.heads:
        left, _ = page.at(ask.room.inside_mm.left, 0.0)
        for row, picture in enumerate(shown):
            legend.draw_at_row(page, picture, left, plan.laid.patch(row, 0))
    return Strip(_noted(frames, page, flat), plan.series, tuple(patches), flat)


def _looked_at(render: Render, job: Job) -> Frame:
    """A picture, small. Raises Refusal where it does not reach the sheet in the stock's profile."""
    less = render.small(LONG_EDGE_PX)
    if less.icc is None or not same_profile(less.icc, job.stock.icc):
        raise Refusal(
            f"The picture reached the strip in another profile than that of stock '{job.stock.name}'. Put convert into the recipe."
        )
    if less.pixels.hasalpha():
        raise Refusal("The picture reached the strip with transparent parts. Put flatten into the recipe.")
    return less


def _captions(page: Page, plan: Arrangement) -> None:
    for series in plan.series:
        for one in series.variations:
            assert one.at is not None  # the arrangement has given every variation its cell
            name = caption.cell_name(*one.at)
            said = caption.parts(one, series.keys, wide_mm=plan.cell_mm)
            rows = caption.broken(name, said, wide_mm=plan.cell_mm)
            caption.draw(page, name, rows, *plan.laid.caption(*one.at))


def _regions(
    number: int, less: Frame, size_px: tuple[int, int], ask: Ask, laid: Laid, job: Job
) -> list[Region]:
    """The regions of one picture: those that are given, then by the rule."""
    ppi, found = job.stock.ppi, list[Region]()
    points = ask.points_mm.get(number, ())
    Lab: Floats | None = None
    for index in range(ask.regions):
        if index < len(points):
            found.append(region.given(number, *points[index], laid.patch_px, size_px, ppi))
            continue
        Lab = small_Lab(less) if Lab is None else Lab
        tone: Tone = "" if ask.regions == 1 else "light" if index == 0 else "shadow"
        found.append(region.by_rule(number, Lab, laid.patch_px, size_px, ppi, tone=tone, others=found))
    return found


def _noted(frames: Sequence[Frame], page: Page, regions: Sequence[Region]) -> Frame:
    """The sheet's frame: the first centre's notes, warnings of the others, and where the regions lie."""
    first = frames[0]
    made = first.with_(pixels=page.made())
    for other in frames[1:]:
        for note in other.notes:
            if note.level == "warning" and note not in made.notes:
                made = made.with_(note=note)
    for place in regions:
        size = place.size_mm
        made = made.with_(
            note=f"region {size.width:.1f} x {size.height:.1f} mm at {place.x_mm:.1f}, {place.y_mm:.1f} mm, {place.chosen} ({place.why})"
        )
    return made
