"""Everything on a strip in its place, before there is a pixel: which series fits, how large its patches are, and what its foot takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from drydown.api import MM_PER_INCH, Box, Job, Refusal, SizeMm
from drydown.geometry import RectMm
from drydown.imaging import strip_caption as caption
from drydown.imaging import strip_legend as legend
from drydown.imaging import strip_words as words
from drydown.imaging.lettering import width_mm
from drydown.imaging.strip_control import Ribbon
from drydown.imaging.strip_layout import (
    GAP_MM,
    LEAST_PATCH_MM,
    MOST_PATCH_MM,
    NAME_CAP_MM,
    Laid,
    Part,
    Room,
    Wish,
    lay,
)
from drydown.imaging.strip_region import Region
from drydown.imaging.strip_series import Series, arrangements

_AS_WIDE_AS_ANY: Final = 888.0  #: mm: figures as wide as a region's ever become
_TEN_COLUMNS_MM: Final = 10 * (LEAST_PATCH_MM + GAP_MM)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a strip is to be, besides its series."""

    step_cc: float  #: of a ring-around, for its title
    room: Room
    part: Part
    ribbons: tuple[Ribbon, ...]
    patch_mm: float | None
    regions: int  #: of each picture
    points_mm: Mapping[int, Sequence[tuple[float, float]]]  #: picture -> middles of regions that are given
    names: Sequence[str]  #: the pictures' names, where the legend is to say them


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The series of each picture, every variation with its cell, and where all that lies."""

    series: tuple[Series, ...]
    laid: Laid
    foot: legend.Foot
    cell_mm: float  #: how wide a caption may be
    heads: bool  #: the small pictures stand at the heads of their rows, not in the foot


def arranged(
    sizes_px: Sequence[tuple[int, int]], wanted: Iterable[Sequence[Series]], ask: Ask, job: Job
) -> Arrangement:
    """The first of the `wanted` series (one a picture) that fits. `sizes_px`: of the finished pictures.

    Raises Refusal with the numbers that would fit where none does.
    """
    refused: Refusal | None = None
    for series in wanted:
        for heads in (True, False) if len(series) > 1 else (False,):
            foot = footed(sizes_px, series[0], _anywhere(ask), ask, job, cell_mm=LEAST_PATCH_MM, heads=heads)
            try:
                placed, laid = _laid(sizes_px, series, ask, foot.left_for_patches, job, heads=heads)
            except Refusal as reason:
                refused = reason
                continue
            across = laid.block[0] * laid.patch_px[0] + (laid.block[0] - 1) * laid.gap_px
            return Arrangement(tuple(placed), laid, foot, across / job.stock.ppi * MM_PER_INCH, heads)
    raise refused or Refusal("No variation was asked for. Name a series, or settings to vary.")


def footed(
    sizes_px: Sequence[tuple[int, int]],
    series: Series,
    regions: Sequence[Region],
    ask: Ask,
    job: Job,
    *,
    cell_mm: float,
    heads: bool,
    least_mm: float = 0.0,
) -> legend.Foot:
    """The strip's foot; `least_mm` is how high its legend is at least."""
    lines = words.legend(job, series, regions, ask.part, picture_names=ask.names, wide_mm=cell_mm)
    title = words.title(series, ask.step_cc)
    shown = [] if heads else sizes_px
    return legend.foot(ask.room.inside_mm, title, lines, shown, ask.ribbons, least_mm=least_mm)


def _anywhere(ask: Ask) -> list[Region]:
    """Regions whose words are as long as any: the legend's room is settled before the regions are."""
    far = _AS_WIDE_AS_ANY
    return [Region(0, far, far, SizeMm(far, far), Box(0, 0, 1, 1), "by rule", "", "shadow")] * ask.regions


def _laid(
    sizes_px: Sequence[tuple[int, int]],
    series: Sequence[Series],
    ask: Ask,
    free: RectMm,
    job: Job,
    *,
    heads: bool,
) -> tuple[list[Series], Laid]:
    """The arrangement with the largest patches; reading order where no arrangement fits."""
    if len(series) > 1:
        rows = [_in_a_row(own, number) for number, own in enumerate(series)]
        shape = len(rows), len(rows[0].variations)
        if heads:
            head = legend.ROW_PICTURE_MM + GAP_MM
            free = RectMm(free.left + head, free.top, free.width - head, free.height)
        return rows, _grid(sizes_px, rows, shape, ask, free, job)
    found: list[tuple[Series, Laid]] = []
    for candidate in arrangements(series[0]):
        try:
            found.append((candidate, _grid(sizes_px, [candidate], candidate.shape, ask, free, job)))
        except Refusal:
            continue
    if not found:
        flat = series[0].flat()
        found = [(flat, _grid(sizes_px, [flat], None, ask, free, job))]
    best, laid = max(found, key=lambda one: one[1].patch_px[0] * one[1].patch_px[1])
    return [_in_reading_order(best, laid)], laid


def _grid(
    sizes_px: Sequence[tuple[int, int]],
    series: Sequence[Series],
    shape: tuple[int, int] | None,
    ask: Ask,
    free: RectMm,
    job: Job,
) -> Laid:
    ppi = job.stock.ppi
    most = [min(MOST_PATCH_MM, *(size[side] / ppi * MM_PER_INCH for size in sizes_px)) for side in (0, 1)]
    name = _widest_name(free)

    def lines(wide_mm: float) -> int:
        said = (caption.parts(one, own.keys, wide_mm=wide_mm) for own in series for one in own.variations)
        return max(len(caption.broken(name, parts, wide_mm=wide_mm)) for parts in said)

    wish = Wish(
        count=shape[0] * shape[1] if len(series) > 1 and shape else len(series[0].variations),
        shape=shape,
        block=ask.regions,
        lines=lines,
        patch_mm=None if ask.patch_mm is None else SizeMm(ask.patch_mm, ask.patch_mm),
        most_mm=SizeMm(*most),
        middle=len(sizes_px) == 1,
    )
    return lay(wish, free, ask.room.canvas_mm, ppi)


def _widest_name(free: RectMm) -> str:
    """As wide as any patch's name can be: of the rows that have room, and with two figures only where ten columns have."""
    rows = max(1, int((free.height + GAP_MM) // (LEAST_PATCH_MM + GAP_MM)))
    column = 9 if free.width >= _TEN_COLUMNS_MM else 7
    names = [caption.cell_name(row, column) for row in range(rows)]
    return max(names, key=lambda name: width_mm(name, NAME_CAP_MM))


def _in_a_row(series: Series, row: int) -> Series:
    flat = series.flat()
    cells = (replace(one, at=(row, column)) for column, one in enumerate(flat.variations))
    return replace(flat, variations=tuple(cells))


def _in_reading_order(series: Series, laid: Laid) -> Series:
    if series.shape is not None:
        return series
    placed = (replace(one, at=divmod(number, laid.columns)) for number, one in enumerate(series.variations))
    return replace(series, variations=tuple(placed))
