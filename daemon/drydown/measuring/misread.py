"""Was the chart read in its order? Found by how well readings follow what was expected; said, and never put right in silence."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.errors import Fault
from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import Floats
from drydown.measuring.grid import Grids, grids
from drydown.measuring.measurement import BadMeasurement, Measurement

_LEAST: Final = 12  # readings below which an order proves nothing
_FITS: Final = (
    0.85  # correlation that a chart read as it should be always reaches, even with another paper's profile
)
_BETTER: Final = 0.05
_ROW_OFF: Final = 6.0  # median CIEDE2000 of a row that is worth asking about
_ROW_TIMES: Final = 3.0  # and so many times that of the whole chart

Order = NDArray[np.int64]


def refuse_wrong_order(measurement: Measurement, expected: Floats) -> None:
    """Raises BadMeasurement where the readings fit the chart in another order, do not fit it at all, or rows were mis-read.

    `expected` (N, 3): Lab of each row's device values, as a profile of this paper, or of one like it, has them.
    """
    if len(measurement) < _LEAST:
        return
    where = grids(measurement.places)
    straight = correlation(measurement.lab, expected)
    best, how = straight, ""
    for words, order in _orders(len(measurement), where):
        found = correlation(measurement.lab, expected[order])
        if found > best + _BETTER:
            best, how = found, words
    if how and best >= _FITS:
        raise BadMeasurement(
            [
                Fault(
                    measurement.source,
                    "",
                    f"the chart was read in another order: {how} (the readings follow the chart with a correlation of {best:.2f} so, "
                    f"and of {straight:.2f} as they stand)",
                    "measure it again as it is lettered, row A first, from column 1, the black corner at the upper left",
                )
            ]
        )
    if straight < _FITS:
        raise BadMeasurement(
            [
                Fault(
                    measurement.source,
                    "",
                    f"the readings do not follow this chart (correlation {straight:.2f})",
                    "is it the reference of another chart, or a sheet that a driver has converted?",
                )
            ]
        )
    if faults := list(_rows(measurement, expected, where)):
        raise BadMeasurement(faults)


def correlation(first: Floats, second: Floats) -> float:
    """Pearson's, over L*, a* and b* together, each less its own mean."""
    one, other = first - first.mean(axis=0), second - second.mean(axis=0)
    size = float(np.sqrt((one**2).sum() * (other**2).sum()))
    return float((one * other).sum()) / size if size else 0.0


def _orders(count: int, where: Grids | None) -> Iterator[tuple[str, Order]]:
    """Ways of going wrong, and for each reading the one whose place it then belongs to."""
    turns: list[tuple[str, Callable[[Order], Order]]] = [
        ("the sheet was turned by 180 degrees", lambda grid: grid[::-1, ::-1]),
        ("rows were read from the last to the first", lambda grid: grid[::-1]),
        ("rows were read from right to left", lambda grid: grid[:, ::-1]),
        ("it was read down the columns instead of along the rows", lambda grid: grid.T),
        ("the readings stand one patch too late", lambda grid: np.roll(grid, 1)),
        ("the readings stand one patch too early", lambda grid: np.roll(grid, -1)),
    ]
    pages = list(where.pages.values()) if where else []
    if not pages or any((page < 0).any() for page in pages):
        yield "the list runs backwards", np.arange(count)[::-1]
        yield "the readings stand one patch too late", np.roll(np.arange(count), 1)
        yield "the readings stand one patch too early", np.roll(np.arange(count), -1)
        return
    for words, turn in turns:
        yield words, _placed(count, pages, [turn(page) for page in pages])
    if 1 < len(pages) <= 4 and len({page.shape for page in pages}) == 1:
        for swapped in list(permutations(pages))[1:]:
            yield "pages were exchanged", _placed(count, pages, list(swapped))
            for words, turn in turns[:3]:
                yield (
                    f"pages were exchanged, and {words}",
                    _placed(count, pages, [turn(page) for page in swapped]),
                )


def _placed(count: int, pages: list[Order], others: list[Order]) -> Order:
    order = np.arange(count)
    for page, other in zip(pages, others, strict=True):
        order[page.ravel()] = other.ravel()
    return order


def _rows(measurement: Measurement, expected: Floats, where: Grids | None) -> Iterator[Fault]:
    """Rows that stand out of all others, and what they look like instead."""
    if where is None:
        return
    away = ciede2000(measurement.lab, expected)
    limit = max(_ROW_OFF, _ROW_TIMES * float(np.median(away)))
    rows = where.rows()
    for name, row in rows.items():
        if len(row) < 4 or np.median(away[row]) <= limit:
            continue
        fits = {"itself backwards": float(np.median(ciede2000(measurement.lab[row], expected[row[::-1]])))}
        for other, its in rows.items():
            if other != name and len(its) == len(row):
                fits[f"row {other}"] = float(np.median(ciede2000(measurement.lab[row], expected[its])))
        like = min(fits, key=lambda key: fits[key])
        said = f"reads like {like}" if fits[like] < limit else "is like no row of the chart"
        yield Fault(
            measurement.source,
            f"row {name}",
            f"it was mis-read: it lies {np.median(away[row]):.0f} (median of CIEDE2000) off and {said}",
            "read that row again",
        )
