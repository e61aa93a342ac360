"""Where things lie on a sheet, in millimetres: the room for the picture, the printer's hard edges, the slug's place.

Pure arithmetic on the API's values, so that `check` can speak of a sheet long before there is a pixel. Knows no pixels and no files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from drydown.api import EdgesMm, Sheet, SizeMm

Form = Literal["sheet", "printable", "picture"]

#: Height of the slug's capitals: 14 minutes of arc at 400 mm, small print that is read without a glass (common practice, no source).
SLUG_CAP_MM = 1.6
SLUG_LINE_MM = 1.8 * SLUG_CAP_MM  #: from one base line to the next
SLUG_DESCENT_MM = 0.35 * SLUG_CAP_MM  #: what hangs below the base line
SLUG_MAX_LINES = 3
CLEAR_MM = 1.0  #: least white between the picture and the slug
GUARD_MM = 0.5  #: least distance of the slug from what the printer cannot reach
OUTWARD_MM = 2.0  #: where there is room, the slug keeps this much more from the edge: near it, to be trimmed or hidden by a mat
#: Where a stock does not state its edges the slug keeps this far in; most drivers stop at 3 to 5 mm (common practice, no source).
EDGE_UNKNOWN_MM = 5.0
LEAST_PICTURE_MM = 10.0  #: less room than this is a slip in the margins


@dataclass(frozen=True, slots=True)
class RectMm:
    """A rectangle on the sheet as it is seen, in mm from its upper left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height

    @property
    def size(self) -> SizeMm:
        """Width and height."""
        return SizeMm(self.width, self.height)


def sheet_size(sheet: Sheet, *, turned: bool) -> SizeMm:
    """The sheet as it is seen, upright or on its side."""
    return sheet.size.turned() if turned else sheet.size


def hard_edges(unprintable_mm: EdgesMm | None, *, turned: bool) -> EdgesMm | None:
    """What the printer cannot reach, of the sheet as it is seen; None where the stock does not state it."""
    if unprintable_mm is None:
        return None
    return unprintable_mm.turned() if turned else unprintable_mm


def inner(size: SizeMm, edges: EdgesMm) -> RectMm:
    """What `edges` leave of a sheet."""
    left = edges.inside(size)
    return RectMm(edges.left, edges.top, left.width, left.height)


def centred(room: RectMm, size: SizeMm) -> RectMm:
    """A picture of `size` in the middle of its room."""
    return RectMm(
        room.left + (room.width - size.width) / 2,
        room.top + (room.height - size.height) / 2,
        size.width,
        size.height,
    )


def default_form(unprintable_mm: EdgesMm | None) -> Form:
    """The printable area where the stock states its edges, because that is what a driver really addresses; else the whole sheet."""
    return "sheet" if unprintable_mm is None else "printable"


def canvas(form: Form, size: SizeMm, edges: EdgesMm | None, picture: RectMm) -> RectMm:
    """The part of the sheet that the file holds.

    Raises ValueError for the printable area of a stock that does not state its edges.
    """
    if form == "picture":
        return picture
    if form == "sheet":
        return RectMm(0.0, 0.0, size.width, size.height)
    if edges is None:
        raise ValueError("the stock does not state its unprintable edges, so its printable area is not known")
    return inner(size, edges)


def slug_height_mm(lines: int) -> float:
    """Height of so many lines of the slug, from the first line's capitals to the last one's descenders."""
    return SLUG_CAP_MM + (lines - 1) * SLUG_LINE_MM + SLUG_DESCENT_MM


def slug_strips(size: SizeMm, edges: EdgesMm | None, room: RectMm, picture: RectMm) -> tuple[RectMm, RectMm]:
    """Where a slug may stand: the white below the picture, and that above it, from the picture's left edge to the room's right one. A height may be negative."""
    keep = edges or EdgesMm(*[EDGE_UNKNOWN_MM] * 4)
    first, last = keep.top + GUARD_MM, size.height - keep.bottom - GUARD_MM
    below, above = picture.bottom + CLEAR_MM, picture.top - CLEAR_MM
    width = room.right - picture.left
    return RectMm(picture.left, below, width, last - below), RectMm(picture.left, first, width, above - first)


def slug_place(strips: tuple[RectMm, RectMm], lines: int) -> RectMm | None:
    """The block of a slug of so many lines: below the picture if it fits there, else above, else nowhere."""
    height = slug_height_mm(lines)
    below, above = strips
    if below.height >= height:
        outward = min(OUTWARD_MM, (below.height - height) / 2)
        return RectMm(below.left, below.bottom - outward - height, below.width, height)
    if above.height >= height:
        outward = min(OUTWARD_MM, (above.height - height) / 2)
        return RectMm(above.left, above.top + outward, above.width, height)
    return None


def placement_faults(
    sheet: Sheet, margins_mm: EdgesMm, unprintable_mm: EdgesMm | None, *, slug: bool = True
) -> list[str]:
    """What cannot be printed of a sheet with these margins: one fragment a fault, empty where all is well.

    `margins_mm` lie round the picture seen upright, binding included; `unprintable_mm` round the upright sheet as it is fed. A picture
    may turn the sheet, so both ways are looked at. Borderless is refused: a driver bleeds by enlarging a few per cent, and the exact
    size is gone. `slug`: whether the recipe asks for one.
    """
    bled = [side for side, width in _sides(margins_mm) if width <= 0]
    if bled:
        return [
            f"no margin at the {' and '.join(bled)} would be borderless, and drivers bleed by enlarging a few per cent: "
            "the exact size would be gone; print on a larger sheet and trim"
        ]
    faults: dict[str, None] = {}
    for turned in (False, True):
        size = sheet_size(sheet, turned=turned)
        room = inner(size, margins_mm)
        if min(room.width, room.height) < LEAST_PICTURE_MM:
            faults[
                f"the margins leave {_mm(room.size)} of the {_mm(size)} sheet for the picture; make them narrower"
            ] = None
            continue
        faults |= dict.fromkeys(
            unreached(margins_mm, hard_edges(unprintable_mm, turned=turned), turned=turned)
        )
        if slug and not faults:
            strips = slug_strips(size, hard_edges(unprintable_mm, turned=turned), room, room)
            if slug_place(strips, 1) is None:
                faults[no_room_for_slug(strips, turned=turned)] = None
    return list(faults)


def unreached(margins_mm: EdgesMm, edges: EdgesMm | None, *, turned: bool) -> list[str]:
    """Which sides of the picture would lie where the printer cannot reach; both sets of edges of the sheet as it is seen."""
    if edges is None:
        return []
    return [
        f"the picture's {side} margin of {width:g} mm lies in the {hard:g} mm that the printer cannot reach"
        f"{_lying(turned)}; it needs at least {hard:g} mm"
        for (side, width), (_, hard) in zip(_sides(margins_mm), _sides(edges), strict=True)
        if width < hard
    ]


def no_room_for_slug(strips: tuple[RectMm, RectMm], *, turned: bool) -> str:
    """Why there is no slug, with the numbers."""
    have = max(0.0, *(strip.height for strip in strips))
    return (
        f"the slug needs {slug_height_mm(1):.1f} mm of white that the printer reaches, and has {have:.1f} mm"
        f"{_lying(turned)}; widen the margin below the picture, or set slug = false"
    )


def _lying(turned: bool) -> str:
    return " when the sheet lies on its side" if turned else ""


def _sides(edges: EdgesMm) -> Iterator[tuple[str, float]]:
    for side in ("top", "right", "bottom", "left"):
        yield side, getattr(edges, side)


def _mm(size: SizeMm) -> str:
    return f"{size.width:.1f} x {size.height:.1f} mm"
