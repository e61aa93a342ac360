"""A contact sheet: every picture of a portfolio small, with its name, as pages on the studio's own paper.

The pictures come from the sheets' screen previews and are converted to the stock's profile as any picture is, media-relative with black point
compensation. What did not come out is an empty frame that says why. Knows nothing of jobs and ledgers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyvips

from drydown.api import MM_PER_INCH, Box, EdgesMm, Finished, Frame, Sheet, SizeMm, Stock
from drydown.errors import MachineFault
from drydown.geometry import RectMm, canvas, default_form, inner
from drydown.imaging.contact_caption import DESCENT, LEADING, Caption, Text, caption, flowing, reason
from drydown.imaging.contact_grid import LANDSCAPE, Grid, fitted, grid
from drydown.imaging.convert import convert, lab_to_device
from drydown.imaging.lettering import Mask, inked, line, width_mm
from drydown.imaging.preview import write_preview
from drydown.imaging.resize import resized
from drydown.imaging.working import srgb
from drydown.imaging.write import write_sheet

MARGIN_MM: Final = 12.7  #: white on all sides, as an unbound print has it
GUARD_MM: Final = 2.0  #: least distance from what the printer cannot reach
TITLE_CAP_MM: Final = 3.4
HEAD_CAP_MM: Final = 1.7
HEAD_GAP_MM: Final = 9.0  #: from the head to the first row
HAIRLINE_MM: Final = 0.18
PADDING_MM: Final = 2.6  #: inside an empty frame
LOUD_L_STAR: Final = 25.0  #: names
QUIET_L_STAR: Final = 46.0  #: what is said about them
HAIRLINE_L_STAR: Final = 72.0
_WHITE: Final = 65535

Piece = tuple[pyvips.Image, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One picture as the contact sheet shows it."""

    number: str  #: its running number, empty where there is none
    name: str
    facts: tuple[str, ...] = ()  #: size, sheet, state
    preview: Path | None = None  #: a JPEG; None for an empty frame
    picture: Box | None = None  #: where the picture lies in the preview, in its pixels; None: all of it
    why: str = ""  #: what an empty frame says


@dataclass(frozen=True, slots=True)
class Head:
    """What stands above the pictures on each page."""

    title: str
    facts: tuple[str, ...] = ()


def contact_sheets(pictures: Sequence[Shown], head: Head, stock: Stock, sheet: Sheet) -> Iterator[Finished]:
    """The pages, upright, one after another: 16 bits, in the stock's profile, the printable area where the stock states its edges.

    A preview that cannot be read becomes an empty frame that says so. Raises ValueError for a sheet that is too small for one picture.
    """
    page = _Page.of(stock, sheet)
    head_lines, head_mm = _head(head, page.room.width)
    room = SizeMm(page.room.width, page.room.height - head_mm)
    ratios = [ratio for one in pictures if (ratio := _ratio(one)) is not None]

    def highest(width_mm: float) -> float:
        return max(_caption(one, width_mm).height_mm for one in pictures)

    cells = grid(len(pictures), room, ratios, highest)
    start = 0
    for number, share in enumerate(cells.shares(len(pictures)), start=1):
        pieces = [page.lettered(head_lines, page.room.left, page.room.top)]
        if cells.pages > 1:
            pieces.append(
                page.lettered(
                    [_page_number(number, cells.pages, page.room.width)], page.room.left, page.room.top
                )
            )
        for index, one in enumerate(pictures[start : start + share]):
            left, top = cells.place(index)
            pieces.append(page.cell(one, cells, page.room.left + left, page.room.top + head_mm + top))
        start += share
        record = {"page": number, "pages": cells.pages, "pictures": share}
        yield page.finished([piece for some in pieces for piece in some], record)


def _head(head: Head, room_mm: float) -> tuple[list[Text], float]:
    """The lines of the head, and its height with the white below it."""
    lines = [Text(head.title, TITLE_CAP_MM, 0.0, TITLE_CAP_MM)]
    base = TITLE_CAP_MM + 1.5 * LEADING * HEAD_CAP_MM
    for words in flowing(head.facts, cap_mm=HEAD_CAP_MM, room_mm=room_mm):
        lines.append(Text(words, HEAD_CAP_MM, 0.0, base, loud=False))
        base += LEADING * HEAD_CAP_MM
    return lines, lines[-1].base_mm + DESCENT * lines[-1].cap_mm + HEAD_GAP_MM


def _page_number(number: int, pages: int, room_mm: float) -> Text:
    words = f"{number} / {pages}"
    return Text(words, HEAD_CAP_MM, room_mm - width_mm(words, HEAD_CAP_MM), TITLE_CAP_MM, loud=False)


def _caption(one: Shown, room_mm: float) -> Caption:
    return caption(one.number, one.name, one.facts, room_mm=room_mm)


def _ratio(one: Shown) -> float | None:
    """Height by width of the picture; None for an empty frame."""
    try:
        image = None if one.preview is None else pyvips.Image.new_from_file(str(one.preview))
    except pyvips.Error:
        return None
    if image is None:
        return None
    box = _box(one, image)
    return box.height / box.width


def _box(one: Shown, image: pyvips.Image) -> Box:
    """The picture's pixels in its preview; all of them where the box does not lie in it."""
    box = one.picture
    whole = Box(0, 0, image.width, image.height)
    if box is None or min(box.left, box.top) < 0 or min(box.width, box.height) < 1:
        return whole
    return box if box.left + box.width <= image.width and box.top + box.height <= image.height else whole


@dataclass(frozen=True, slots=True)
class _Page:
    """One sheet of paper to draw on: its file's part of it, the room for the pictures, its inks."""

    stock: Stock
    part: RectMm
    room: RectMm
    loud: list[int]
    quiet: list[int]
    hairline: list[int]

    @classmethod
    def of(cls, stock: Stock, sheet: Sheet) -> _Page:
        edges = stock.unprintable_mm
        part = canvas(
            default_form(edges), sheet.size, edges, RectMm(0, 0, sheet.size.width, sheet.size.height)
        )
        hard = edges or EdgesMm()
        white = EdgesMm(
            *(max(MARGIN_MM, side + GUARD_MM) for side in (hard.top, hard.right, hard.bottom, hard.left))
        )
        levels = [[L_star, 0.0, 0.0] for L_star in (LOUD_L_STAR, QUIET_L_STAR, HAIRLINE_L_STAR)]
        device = lab_to_device(stock.icc, np.array(levels), intent="relative")
        inks = [[round(float(value) * _WHITE) for value in ink] for ink in device]
        return cls(stock, part, inner(sheet.size, white), *inks)

    def px(self, mm: float) -> int:
        return round(mm / MM_PER_INCH * self.stock.ppi)

    def at(self, left_mm: float, top_mm: float) -> tuple[int, int]:
        return self.px(left_mm - self.part.left), self.px(top_mm - self.part.top)

    def lettered(self, lines: Sequence[Text], left_mm: float, top_mm: float) -> list[Piece]:
        """Lines of type as pieces, from the upper left corner of their block."""
        pieces = []
        for text in (text for text in lines if text.words.strip()):
            mask, base = line(text.words, cap_mm=text.cap_mm, ppi=self.stock.ppi)
            left, base_line = self.at(left_mm + text.left_mm, top_mm + text.base_mm)
            rows = np.flatnonzero(mask.any(axis=1))
            if len(rows):
                shown: Mask = mask[rows[0] : rows[-1] + 1]
                ink = self.loud if text.loud else self.quiet
                pieces.append((inked(shown, ink), left, base_line - base + int(rows[0])))
        return pieces

    def cell(self, one: Shown, cells: Grid, left_mm: float, top_mm: float) -> list[Piece]:
        """A picture, standing on the lower edge of its frame, or an empty frame; and the caption."""
        bottom = top_mm + cells.frame_mm.height
        pieces = self.lettered(_caption(one, cells.frame_mm.width).lines, left_mm, bottom)
        why = one.why
        if one.preview is not None:
            try:
                return [*pieces, self.picture(one, cells.frame_mm, left_mm, bottom)]
            except (pyvips.Error, OSError):
                why = "Its preview cannot be read."
        return [*pieces, *self.empty(why, cells.frame_mm, left_mm, bottom)]

    def picture(self, one: Shown, frame_mm: SizeMm, left_mm: float, bottom_mm: float) -> Piece:
        """The preview's picture in the stock's profile, evaluated."""
        preview = pyvips.Image.new_from_file(str(one.preview), access="sequential", fail_on="warning")
        icc = bytes(preview.get("icc-profile-data")) if preview.get_typeof("icc-profile-data") else srgb()
        box = _box(one, preview)
        size = fitted(frame_mm, box.height / box.width)
        part = preview.crop(box.left, box.top, box.width, box.height).copy_memory()
        sixteen = (part * 257).cast("ushort").copy(interpretation="rgb16")
        small = resized(sixteen, icc, self.px(size.width), self.px(size.height)).pixels
        made = convert(small, icc, self.stock.icc, intent="relative", black_point_compensation=True)
        left, bottom = self.at(left_mm, bottom_mm)
        return made.copy_memory(), left, bottom - made.height

    def empty(self, why: str, frame_mm: SizeMm, left_mm: float, bottom_mm: float) -> list[Piece]:
        """An outline of the size of a picture on its side, or as high as its reason needs, up to the whole frame."""
        room = frame_mm.width - 2 * PADDING_MM
        said = reason(why, room_mm=room, height_mm=frame_mm.height - 2 * PADDING_MM)
        height = min(frame_mm.height, max(frame_mm.width * LANDSCAPE, said.height_mm + 2 * PADDING_MM))
        top = bottom_mm - height
        left_px, top_px = self.at(left_mm, top)
        wide, high, thick = self.px(frame_mm.width), self.px(height), max(1, self.px(HAIRLINE_MM))
        across, down = (
            inked(np.full(shape, 255, np.uint8), self.hairline) for shape in ((thick, wide), (high, thick))
        )
        outline = [(across, left_px, top_px), (across, left_px, top_px + high - thick)]
        outline += [(down, left_px, top_px), (down, left_px + wide - thick, top_px)]
        return [*outline, *self.lettered(said.lines, left_mm + PADDING_MM, top + PADDING_MM)]

    def finished(self, pieces: Sequence[Piece], record: Mapping[str, Any]) -> Finished:
        width, height = self.part.size.px(self.stock.ppi)
        white = pyvips.Image.black(width, height, bands=3).linear(0, _WHITE)
        image = white.cast("ushort").copy(interpretation="rgb16")
        for piece, left, top in pieces:
            image = image.insert(piece, left, top)
        frame = Frame(pixels=image, icc=self.stock.icc, ppi=self.stock.ppi, source=Path("contact-sheet"))
        return Finished(frame=frame, form=default_form(self.stock.unprintable_mm), record=record)


def write_contact_sheet(
    page: Finished, sheet: Path, picture: Path, *, ppi: float, icc: bytes, long_edge_px: int
) -> None:
    """Write a page as a sheet for the printer, and from it a picture for screens (JPEG, sRGB). Both names are replaced.

    Raises MachineFault where that fails: all pixels are in memory by then, so the disk is at fault.
    """
    try:
        write_sheet(page, sheet, ppi=ppi, icc=icc)
        write_preview(sheet, picture, long_edge_px=long_edge_px)
    except pyvips.Error as error:
        reason = " ".join(str(error).split())
        raise MachineFault(f"the contact sheet cannot be written: {reason}") from error


def preview_box(picture_px: Box, reduced_by: int) -> Box:
    """Where a sheet's picture lies in the preview, whole pixels of picture only. `reduced_by`: as `write_preview` tells it.

    >>> preview_box(Box(10, 20, 300, 200), 4)
    Box(left=3, top=5, width=74, height=50)
    """
    left, top = math.ceil(picture_px.left / reduced_by), math.ceil(picture_px.top / reduced_by)
    right = (picture_px.left + picture_px.width) // reduced_by
    bottom = (picture_px.top + picture_px.height) // reduced_by
    return Box(left, top, right - left, bottom - top)
