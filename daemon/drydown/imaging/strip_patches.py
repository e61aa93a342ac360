"""The patches of a strip, rendered: each a region of the finished picture with some settings replaced.

A region is worked on alone, with as much around it as the steps say that they look at. Whether they say the truth is checked on every strip: the
centre patch must equal the same place of the whole picture bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyvips

from drydown.api import Box, Frame, Job, Note, Refusal, Render, Value
from drydown.imaging.dither import CODE
from drydown.imaging.strip_caption import cell_name
from drydown.imaging.strip_layout import Laid
from drydown.imaging.strip_region import Region
from drydown.imaging.strip_series import Series, Variation

_SAMPLES_A_SIDE: Final = 20


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """One patch, in memory."""

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


def rendered(
    render: Render, series: Series, place: Region, region: int, laid: Laid, job: Job, workers: Executor
) -> tuple[list[Patch], Frame]:
    """Every variation of a region, and the centre's frame.

    Where a step looks further around than it says, that frame carries a warning, and every patch has been cut from the whole picture.
    Raises Refusal where the picture is not in the stock's pixels.
    """
    box = place.box
    centre = render(overrides(series.centre.values), region=box)
    if abs(centre.ppi - job.stock.ppi) > 1e-6 * job.stock.ppi:
        raise Refusal(
            f"The picture reached the strip at {centre.ppi:.1f} ppi and stock '{job.stock.name}' prints at {job.stock.ppi:g}. Put resample into the recipe."
        )
    alone, whole = centre.pixels.copy_memory(), _cut(render(), box)
    honest = bool(np.array_equal(array(alone), array(whole)))
    if not honest:
        centre = centre.with_(note=_mistrust(int(np.abs(array(alone).astype(np.int32) - array(whole)).max())))

    def one(variation: Variation) -> Patch:
        if variation.centre:
            pixels = whole
        elif honest:
            pixels = render(overrides(variation.values), region=box).pixels.copy_memory()
        else:
            pixels = _cut(render(overrides(variation.values)), box)
        assert variation.at is not None  # the arrangement has given every variation its cell
        row, column = variation.at
        own = laid.patch(row, column, region)
        return Patch(cell_name(row, column), row, column, variation, place.picture, region, pixels, own)

    return list(workers.map(one, series.variations)), centre


def show_nothing(patches: Sequence[Patch]) -> bool:
    """True where no pixel of any patch is as far as half a code of 8 bits from the same pixel of another of its picture and region: paper would show one
    picture several times."""
    first: dict[tuple[int, int], Patch] = {}
    for patch in patches:
        other = first.setdefault((patch.picture, patch.region), patch)
        if other is not patch and (patch.pixels - other.pixels).abs().max() >= CODE / 2:
            return False
    return len(patches) > len(first)


def samples(render: Render, values: Mapping[str, Value | None], place: Region) -> list[list[int]]:
    """Up to 400 device values of a region, on an even grid of its pixels."""
    found = array(render(overrides(values), region=place.box).pixels)
    steps = (np.arange(_SAMPLES_A_SIDE) + 0.5) / _SAMPLES_A_SIDE
    rows, columns = (np.unique((steps * side).astype(int)) for side in found.shape[:2])
    picked: list[list[int]] = found[np.ix_(rows, columns)].reshape(-1, found.shape[2]).tolist()
    return picked


def overrides(values: Mapping[str, Value | None]) -> dict[str, Value]:
    """What a render is told: a setting that the recipe leaves open stays open."""
    return {key: value for key, value in values.items() if value is not None}


def array(pixels: pyvips.Image) -> np.ndarray[Any, np.dtype[np.uint16]]:
    """(height, width, bands) of a patch."""
    return np.ndarray((pixels.height, pixels.width, pixels.bands), np.uint16, pixels.write_to_memory())


def _cut(frame: Frame, box: Box) -> pyvips.Image:
    return frame.pixels.crop(box.left, box.top, box.width, box.height).copy_memory()


def _mistrust(most: int) -> Note:
    return Note(
        f"a step looks further around than it says: the centre patch worked on alone differs by up to {most} of 65535 from the same place of the whole picture. "
        "Every patch was cut from the whole picture instead, which is right and slow; the step's author should state its reach",
        level="warning",
        figures={"codes": most},
    )
