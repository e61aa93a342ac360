"""Where readings stand on their chart: pages, rows and columns from places such as "2C14"."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.imaging.chart_layout import LETTERS, row_name, row_number

_PLACE: Final = re.compile(rf"(\d+)([{LETTERS}]{{1,2}})(\d+)")


@dataclass(frozen=True, slots=True)
class Grids:
    """`pages`: page number -> (rows, columns) of indices into the readings, -1 where there is none."""

    pages: Mapping[int, NDArray[np.int64]]

    def rows(self) -> dict[str, NDArray[np.int64]]:
        """Each row's name, such as "2C", and the readings in it."""
        return {
            f"{page}{row_name(number)}": row[row >= 0]
            for page, grid in self.pages.items()
            for number, row in enumerate(grid)
            if (row >= 0).any()
        }

    def missing(self) -> list[str]:
        """Places inside the pages that nothing was read at."""
        return [
            f"{page}{row_name(row)}{column + 1}"
            for page, grid in self.pages.items()
            for row, column in zip(*np.nonzero(grid < 0), strict=True)
        ]


def grids(places: Sequence[str]) -> Grids | None:
    """The pages that these places make up; None where any of them is none of ours, or stands twice."""
    found: dict[int, dict[tuple[int, int], int]] = {}
    for index, place in enumerate(places):
        match = _PLACE.fullmatch(place.strip().upper())
        if match is None or int(match[3]) < 1:
            return None
        cells = found.setdefault(int(match[1]), {})
        cell = (row_number(match[2]), int(match[3]) - 1)
        if cell in cells:
            return None
        cells[cell] = index
    pages = {}
    for page in sorted(found):
        rows, columns = (max(cell[axis] for cell in found[page]) + 1 for axis in (0, 1))
        if rows * columns > 100_000:
            return None
        grid = np.full((rows, columns), -1, dtype=np.int64)
        for cell, index in found[page].items():
            grid[cell] = index
        pages[page] = grid
    return Grids(pages)
