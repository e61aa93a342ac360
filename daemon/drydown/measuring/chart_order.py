"""In which order patches stand on the pages: random by a stated seed, repeats at start, middle and end, neighbours along a row far apart."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import Floats

#: White, black and three greys stand three times on every page: start, middle, end. 0 to 255.
REPEATED: Final = ((255, 255, 255), (0, 0, 0), (64, 64, 64), (128, 128, 128), (192, 192, 192))
#: Strip readers find edges by contrast: neighbours differ by so much in L*, or by so much in CIEDE2000 (common practice, no source).
APART_L: Final = 10.0
APART_DE: Final = 15.0
_TRIES: Final = 400  # of swaps for one patch that stands beside its like

Codes = NDArray[np.int64]  #: (N, 3) in 0..255: 8-bit steps, so that no way of handing them on can round them
Grid = NDArray[np.int64]  #: (rows, columns) of indices into the points, which may come more than once


def ordered(codes: Codes, lab: Floats, *, rows_max: int, columns: int, seed: int) -> list[Grid]:
    """Pages of full rows. Every point once, `REPEATED` three times a page more, and again to fill the last row.

    `lab` (N, 3) is what the points should print as; black is what stands at both ends of a row. Raises ValueError where a page is too
    small for the repeats.
    """
    repeats = [int(np.flatnonzero((codes == value).all(axis=1))[0]) for value in REPEATED]
    fixed = 3 * len(repeats)
    room = rows_max * columns - fixed
    if rows_max < 3 or columns < len(repeats) + 2 or room < 1:
        raise ValueError(f"{rows_max} rows of {columns} patches are too few for a page")
    near = looks_alike(lab)
    generator = np.random.default_rng(seed)
    order = generator.permutation(len(codes))
    pages = -(-len(codes) // room)
    made = []
    for share in np.array_split(order, pages):
        rows = max(3, -(-(len(share) + fixed) // columns))
        made.append(_page(list(share), repeats, (rows, columns), near, generator))
    return made


def _page(
    share: list[int],
    repeats: list[int],
    shape: tuple[int, int],
    near: NDArray[np.bool_],
    generator: np.random.Generator,
) -> Grid:
    rows, columns = shape
    grid = np.full(shape, -1, dtype=np.int64)
    for row in (0, rows // 2, rows - 1):
        # clear of the ends, where the pads are as black as one of them
        places = np.linspace(1, columns - 2, len(repeats)).round().astype(int)
        # each time in another order, so that a drift across the sheet meets every one of them
        grid[row, places] = generator.permutation(repeats)
    movable = np.flatnonzero(grid.ravel() < 0)
    fill = [repeats[number % len(repeats)] for number in range(len(movable) - len(share))]
    flat = grid.reshape(-1)
    flat[movable] = generator.permutation(share + fill)
    _part(flat, columns, movable, near, generator)
    return grid


def _part(
    flat: Grid,
    columns: int,
    movable: NDArray[np.intp],
    near: NDArray[np.bool_],
    generator: np.random.Generator,
) -> None:
    """Swap patches, in place, until no two neighbours in a row look alike; as far as that can be done."""

    def alike(cell: int) -> int:
        """How many of a cell's neighbours in its row look like it; the pads at both ends are black, the last index of `near`."""
        column = cell % columns
        left = flat[cell - 1] if column else -1
        right = flat[cell + 1] if column + 1 < columns else -1
        return int(near[flat[cell], left]) + int(near[flat[cell], right])

    for cell in movable:
        for other in generator.choice(movable, _TRIES) if alike(cell) else ():
            before = alike(cell) + alike(other)
            flat[cell], flat[other] = flat[other], flat[cell]
            if alike(cell) + alike(other) < before:
                if not alike(cell):
                    break
            else:
                flat[cell], flat[other] = flat[other], flat[cell]


def looks_alike(lab: Floats) -> NDArray[np.bool_]:
    """(N + 1, N + 1): which patches no reader can find an edge between; the last one stands for a pad of black."""
    all_of_them = np.vstack([lab, lab[lab[:, 0].argmin()]])
    near_L = np.abs(all_of_them[:, np.newaxis, 0] - all_of_them[np.newaxis, :, 0]) < APART_L
    return np.asarray(near_L & (ciede2000(all_of_them[:, np.newaxis], all_of_them[np.newaxis]) < APART_DE))
