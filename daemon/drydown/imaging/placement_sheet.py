"""A sheet that proves placement and scale, once a stock, before any picture: marks to lay a ruler on.

It is written in the form that this stock's finals have, so that what is proved is what will be printed. All lines are device black on bare paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyvips
from PIL import Image, ImageDraw

from drydown.api import MM_PER_INCH, EdgesMm, Finished, Frame, Sheet, SizeMm, Stock
from drydown.geometry import RectMm, canvas, default_form
from drydown.imaging.lettering import Mask, inked, line, paragraph, width_mm

LINE_MM: Final = 0.25
MARK_MM: Final = 15.0  #: length of each arm of a corner mark
RULE_MM: Final = 100
LETTER_MM: Final = 2.2  #: height of capitals
_LEADING: Final = 1.9
_RULE_BELOW_MM: Final = (
    RULE_MM / 2 + 8
)  # the level rule lies so far below the middle: clear of the upright one
_BLACK: Final = (0, 0, 0)
_FINER: Final = 4  # slanted lines are drawn so much larger and averaged


@dataclass(frozen=True, slots=True)
class _Ink:
    """A mask and where its upper left corner lies on the sheet, in whole pixels of the sheet."""

    mask: Mask
    left: int
    top: int


def make_placement_sheet(stock: Stock, sheet: Sheet) -> Finished:
    """The placement sheet of a stock, upright: corner marks at an exact distance, a rule of 100 mm, a centre cross, the feed's arrow.

    The marks stand at a whole 5 mm from the sheet's edges, outside what the printer cannot reach. Lines are meant by their middle. Raises ValueError for a
    sheet too small to hold the rule.
    """
    needed = (
        RULE_MM + 2 * _inset(stock.unprintable_mm),
        2 * (_RULE_BELOW_MM + _inset(stock.unprintable_mm) + 8),
    )
    if sheet.size.width < needed[0] or sheet.size.height < needed[1]:
        raise ValueError(
            f"sheet {sheet.name} is too small for a rule of {RULE_MM} mm; nothing can be proved on it"
        )
    form = default_form(stock.unprintable_mm)
    whole = RectMm(0, 0, sheet.size.width, sheet.size.height)
    part = canvas(form, sheet.size, stock.unprintable_mm, whole)
    width, height = part.size.px(stock.ppi)
    left, top = (round(mm / MM_PER_INCH * stock.ppi) for mm in (part.left, part.top))
    image = (
        pyvips.Image.black(width, height, bands=3)
        .linear(0, 65535)
        .cast("ushort")
        .copy(interpretation="rgb16")
    )
    for ink in _drawn(stock, sheet):
        image = image.insert(inked(ink.mask, _BLACK), ink.left - left, ink.top - top)
    frame = Frame(pixels=image, icc=stock.icc, ppi=stock.ppi, source=Path(f"placement-{sheet.name}"))
    record = {"marks_mm": _inset(stock.unprintable_mm), "rule_mm": RULE_MM, "form": form}
    return Finished(frame=frame, form=form, record=record)


def _inset(edges: EdgesMm | None) -> float:
    """How far from the sheet's edges the corner marks stand: at least 10 mm, and 2 mm clear of the printer's edges."""
    widest = max(edges.top, edges.right, edges.bottom, edges.left) if edges else 0.0
    return max(10.0, math.ceil((widest + 2) / 5) * 5.0)


def _drawn(stock: Stock, sheet: Sheet) -> Iterator[_Ink]:
    size, inset, pen = sheet.size, _inset(stock.unprintable_mm), _Pen(stock.ppi)
    for across, from_left in ((inset, True), (size.width - inset, False)):
        for down, from_top in ((inset, True), (size.height - inset, False)):
            yield pen.level(across if from_left else across - MARK_MM, down, MARK_MM)
            yield pen.upright(across, down if from_top else down - MARK_MM, MARK_MM)
    if stock.unprintable_mm:
        yield from _outline(pen, stock.unprintable_mm, size)
    middle_x, middle_y = size.width / 2, size.height / 2
    yield pen.level(middle_x - MARK_MM, middle_y, 2 * MARK_MM)
    yield pen.upright(middle_x, middle_y - MARK_MM, 2 * MARK_MM)
    yield pen.arrow(middle_x, inset + 6)
    yield pen.text("this edge goes in first", middle_x, inset + 26, centred=True)
    yield pen.text("THIS SIDE UP", middle_x, inset + 33, centred=True, cap_mm=3.5)
    yield from _rule(pen, middle_x - RULE_MM / 2, middle_y + _RULE_BELOW_MM)
    yield from _upright_rule(pen, inset + 10, middle_y - RULE_MM / 2)
    yield from _instructions(pen, stock, sheet, inset)


def _instructions(pen: _Pen, stock: Stock, sheet: Sheet, inset: float) -> Iterator[_Ink]:
    """At the foot of the sheet, as many lines as a small sheet has room for: the first ones matter most."""
    size, left = sheet.size, inset + 4
    lines = [
        text
        for words in _words(stock, sheet, inset)
        for text in paragraph(words, cap_mm=LETTER_MM, room_mm=size.width - 2 * left)
    ]
    step = LETTER_MM * _LEADING
    first, last = size.height / 2 + _RULE_BELOW_MM + 14, size.height - inset - 4
    first = max(first, last - (len(lines) - 1) * step)
    for index, text in enumerate(lines):
        if first + index * step <= last + 1e-6:
            yield pen.text(text, left, first + index * step)


def _words(stock: Stock, sheet: Sheet, inset: float) -> Sequence[str]:
    edges = stock.unprintable_mm
    hard = (
        f"Thin frame: what the printer reaches, {edges.top:g} top, {edges.right:g} right, {edges.bottom:g} bottom, {edges.left:g} left, in mm."
        if edges
        else "The stock does not state what the printer cannot reach: measure the white edges and write them into unprintable_mm."
    )
    return (
        f"{sheet.name}  ({sheet.pwg})   {sheet.size.width:g} x {sheet.size.height:g} mm   stock {stock.name}, {stock.ppi:g} ppi",
        f"Print at 100 %: scaling none, borderless off, colour handling off. Then lay a steel rule on it. The corner marks stand {inset:g}\u00a0mm from the "
        f"edges of the paper, measured to the middle of the line; both rules are {RULE_MM} mm long; the cross is the middle of the sheet.",
        hard,
        "A rule that is too long or short is scaling; marks that are off to one side are placement. Put it right before the first picture.",
    )


def _outline(pen: _Pen, edges: EdgesMm, size: SizeMm) -> Iterator[_Ink]:
    """Just inside what the printer reaches: where a side of it is missing on paper, the edge is wider than stated."""
    thin = LINE_MM / 2
    left, top = edges.left + thin, edges.top + thin
    right, bottom = size.width - edges.right - thin, size.height - edges.bottom - thin
    for down in (top, bottom):
        yield pen.level(left, down, right - left, line_mm=thin)
    for across in (left, right):
        yield pen.upright(across, top, bottom - top, line_mm=thin)


def _rule(pen: _Pen, left_mm: float, top_mm: float) -> Iterator[_Ink]:
    """100 mm across: a tick a millimetre, longer at 5, longest and numbered at 10."""
    yield pen.level(left_mm - LINE_MM / 2, top_mm, RULE_MM + LINE_MM)
    for mm in range(RULE_MM + 1):
        yield pen.upright(
            left_mm + mm, top_mm - _tick(mm), _tick(mm), line_mm=LINE_MM / 2 if mm % 10 else LINE_MM
        )
        if mm % 10 == 0:
            yield pen.text(str(mm), left_mm + mm, top_mm + 4, centred=True)


def _upright_rule(pen: _Pen, left_mm: float, top_mm: float) -> Iterator[_Ink]:
    """100 mm down."""
    yield pen.upright(left_mm, top_mm - LINE_MM / 2, RULE_MM + LINE_MM)
    for mm in range(RULE_MM + 1):
        yield pen.level(left_mm, top_mm + mm, _tick(mm), line_mm=LINE_MM / 2 if mm % 10 else LINE_MM)
        if mm % 10 == 0:
            yield pen.text(str(mm), left_mm - 4, top_mm + mm + LETTER_MM / 2, centred=True)


def _tick(mm: int) -> float:
    return 5.0 if mm % 10 == 0 else 3.5 if mm % 5 == 0 else 2.0


@dataclass(frozen=True, slots=True)
class _Pen:
    """Draws in mm of the sheet; a line's position is its middle."""

    ppi: float

    def px(self, mm: float) -> float:
        return mm / MM_PER_INCH * self.ppi

    def level(self, left_mm: float, middle_mm: float, length_mm: float, *, line_mm: float = LINE_MM) -> _Ink:
        thick = max(1, round(self.px(line_mm)))
        mask = np.full((thick, max(1, round(self.px(length_mm)))), 255, np.uint8)
        return _Ink(mask, round(self.px(left_mm)), round(self.px(middle_mm) - thick / 2))

    def upright(self, middle_mm: float, top_mm: float, length_mm: float, *, line_mm: float = LINE_MM) -> _Ink:
        lying = self.level(top_mm, middle_mm, length_mm, line_mm=line_mm)
        return _Ink(np.ascontiguousarray(lying.mask.T), lying.top, lying.left)

    def text(
        self, text: str, left_mm: float, base_mm: float, *, centred: bool = False, cap_mm: float = LETTER_MM
    ) -> _Ink:
        mask, base = line(text or " ", cap_mm=cap_mm, ppi=self.ppi)
        left = left_mm - width_mm(text, cap_mm) / 2 if centred else left_mm
        return _Ink(mask, round(self.px(left)), round(self.px(base_mm)) - base)

    def arrow(self, middle_mm: float, tip_mm: float) -> _Ink:
        """An arrow of 14 mm towards the edge that is fed first."""
        width, height = (round(self.px(mm)) for mm in (9, 14))
        large = Image.new("L", (width * _FINER, height * _FINER), 0)
        across, down = width * _FINER, height * _FINER
        shaft = (0.36 * across, 0.64 * across)
        outline = [(across / 2, 0), (across, 0.5 * down), (shaft[1], 0.5 * down), (shaft[1], down)]
        outline += [(shaft[0], down), (shaft[0], 0.5 * down), (0, 0.5 * down)]
        ImageDraw.Draw(large).polygon(outline, fill=255)
        small = np.asarray(large, np.float64).reshape(height, _FINER, width, _FINER).mean(axis=(1, 3))
        return _Ink(np.round(small).astype(np.uint8), round(self.px(middle_mm - 4.5)), round(self.px(tip_mm)))
