"""One page of a measurement chart as pixels: flat patches of exact device values, marks, and nothing that would change them.

No colour is converted, nothing is dithered or resampled; letters are device black on bare paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import reduce
from pathlib import Path
from typing import Final

import numpy as np
import pyvips
from numpy.typing import NDArray

from drydown.api import Finished, Frame
from drydown.imaging.chart_layout import FOOT_MM, HEAD_MM, MARKS_MM, ChartLayout, row_name
from drydown.imaging.lettering import Mask, inked, line, paragraph, width_mm

_TITLE_MM: Final = 2.4  #: height of capitals
_TEXT_MM: Final = 1.7
_LEADING: Final = 1.7
_MARK_MM: Final = 9.0
_WHITE: Final = 65535
_BLACK: Final = (0, 0, 0)

Placed = tuple[Mask, int, int]  #: a mask, its left and top in the file


def chart_page(
    layout: ChartLayout, patches: NDArray[np.uint16], *, title: str, words: Sequence[str], foot: str
) -> Finished:
    """A page. `patches` (rows, columns, 3): 16-bit device values; `title`, `words` and `foot` are lettered above and below.

    The frame carries no profile: these are device values, and a profile would invite a driver to convert them.
    """
    image = _grid(layout, patches)
    for mask, left, top in _lettering(layout, len(patches), title, words, foot):
        image = image.insert(inked(mask, _BLACK), left, top)
    frame = Frame(pixels=image, icc=None, ppi=layout.ppi, source=Path("chart"))
    return Finished(frame=frame, compression="lzw", form=layout.form, record={"chart": True})


def _grid(layout: ChartLayout, patches: NDArray[np.uint16]) -> pyvips.Image:
    """Bare paper with the patches and pads, one row of pixels repeated for each row of patches."""
    width, height = layout.file_px
    bare = np.full((width, 3), _WHITE, np.uint16)
    pieces = [_lines(bare, layout.grid_top)]
    for row, values in enumerate(patches):
        pixels = bare.copy()
        for column, value in enumerate(values):
            left, _ = layout.patch(row, column)
            pixels[left : left + layout.patch_px] = value
        if layout.pad_px:
            end = layout.patch(row, len(values) - 1)[0] + layout.patch_px + layout.gap_px
            start = layout.grid_left - layout.gap_px - layout.pad_px
            pixels[start : start + layout.pad_px] = 0
            pixels[end : end + layout.pad_px] = 0
        pieces.append(_lines(pixels, layout.patch_px))
        if layout.gap_px:
            pieces.append(_lines(bare, layout.gap_px))
    pieces.append(_lines(bare, height - sum(piece.height for piece in pieces)))
    page = reduce(lambda above, below: above.join(below, "vertical"), pieces)
    return page.copy(interpretation="rgb16")


def _lines(pixels: NDArray[np.uint16], count: int) -> pyvips.Image:
    """One row of pixels, `count` times."""
    one = pyvips.Image.new_from_memory(np.ascontiguousarray(pixels).tobytes(), len(pixels), 1, 3, "ushort")
    return one.replicate(1, count)


def _lettering(
    layout: ChartLayout, rows: int, title: str, words: Sequence[str], foot: str
) -> Iterator[Placed]:
    left = layout.px(layout.inner_mm.left - layout.canvas_mm.left)
    top = layout.px(layout.inner_mm.top - layout.canvas_mm.top)
    yield _corner(layout.px(_MARK_MM)), left, top
    indent_mm = _MARK_MM + 3
    room_mm = layout.inner_mm.width - indent_mm
    base_mm = _TITLE_MM
    yield _text(layout, title, _TITLE_MM, left + layout.px(indent_mm), top + layout.px(base_mm))
    for text in [part for word in words for part in paragraph(word, cap_mm=_TEXT_MM, room_mm=room_mm)]:
        base_mm += _TEXT_MM * _LEADING + 0.4
        if base_mm < HEAD_MM - 1:
            yield _text(layout, text, _TEXT_MM, left + layout.px(indent_mm), top + layout.px(base_mm))
    yield from _marks(layout, rows)
    bottom = layout.patch(rows - 1, 0)[1] + layout.patch_px + layout.px(MARKS_MM + FOOT_MM - 1.5)
    yield _text(layout, foot, _TEXT_MM, left, bottom)


def _marks(layout: ChartLayout, rows: int) -> Iterator[Placed]:
    """Numbers above and below each column, letters left and right of each row."""
    half = layout.patch_px // 2
    below = layout.patch(rows - 1, 0)[1] + layout.patch_px
    for column in range(layout.columns):
        middle = layout.patch(0, column)[0] + half
        for base in (layout.grid_top - layout.px(1.2), below + layout.px(1.2 + _TEXT_MM)):
            yield _text(layout, str(column + 1), _TEXT_MM, middle, base, centred=True)
    beside = layout.px(MARKS_MM / 2) + (layout.pad_px + layout.gap_px if layout.pad_px else 0)
    right = layout.patch(0, layout.columns - 1)[0] + layout.patch_px
    for row in range(rows):
        base = layout.patch(row, 0)[1] + half + layout.px(_TEXT_MM / 2)
        for middle in (layout.grid_left - beside, right + beside):
            yield _text(layout, row_name(row), _TEXT_MM, middle, base, centred=True)


def _text(
    layout: ChartLayout, text: str, cap_mm: float, left: int, base: int, *, centred: bool = False
) -> Placed:
    mask, own_base = line(text or " ", cap_mm=cap_mm, ppi=layout.ppi)
    shift = layout.px(width_mm(text, cap_mm) / 2) if centred else 0
    return mask, left - shift, base - own_base


def _corner(side: int) -> Mask:
    """The mark of the upper left corner: a solid triangle with its right angle outward, on no other corner."""
    down, across = np.mgrid[0:side, 0:side]
    return np.where(down + across < side, 255, 0).astype(np.uint8)
