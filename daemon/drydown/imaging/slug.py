"""The slug: small type in the margin that says how a sheet was made, so that the sheet itself tells what was set.

What it says comes from the job and the stock alone. Names and places out of the picture's metadata never get here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyvips

from drydown.api import Job, Note
from drydown.geometry import (
    SLUG_CAP_MM,
    SLUG_LINE_MM,
    SLUG_MAX_LINES,
    hard_edges,
    no_room_for_slug,
    slug_place,
    slug_strips,
)
from drydown.imaging.convert import lab_to_device
from drydown.imaging.lettering import inked, line, wrapped
from drydown.imaging.sheets import Placement

INK_L_STAR = 35.0  #: neutral dark grey: read with ease, quieter than black beside a picture
NOT_STATED = "not stated"
_SETTINGS_ROOM = (
    96  # characters: what a part may at most be long, so that one setting does not push out the rest
)


@dataclass(frozen=True, slots=True)
class Slug:
    """Lettering ready to be laid on the sheet: (image, left, top) each, the lines it says, and what there is to note."""

    pieces: list[tuple[pyvips.Image, int, int]] = field(default_factory=list)
    lines: tuple[str, ...] = ()
    notes: list[Note] = field(default_factory=list)


def lettered(job: Job, place: Placement, *, name: bool = False) -> Slug:
    """The slug for a placed picture: in the margin below it, else above it, in reach of the printer; else nothing and a warning.

    At most three lines; what finds no room is left out from the end, and noted.
    """
    edges = hard_edges(job.stock.unprintable_mm, turned=place.turned)
    strips = slug_strips(place.sheet_mm, edges, place.room_mm, place.picture_mm)
    room = next((n for n in range(SLUG_MAX_LINES, 0, -1) if slug_place(strips, n)), 0)
    if not room:
        text = no_room_for_slug(strips, turned=place.turned)
        return Slug(notes=[Note(f"the slug was left off: {text}", level="warning")])
    lines, left_out = wrapped(
        slug_parts(job, name=name), cap_mm=SLUG_CAP_MM, room_mm=strips[0].width, lines=room
    )
    block = slug_place(strips, len(lines))
    if block is None or not lines:
        return Slug(
            notes=[Note("the slug was left off: the margin is too narrow for any of it", level="warning")]
        )
    ink = _ink(job.stock.icc)
    pieces = []
    for index, text in enumerate(lines):
        mask, base = line(text, cap_mm=SLUG_CAP_MM, ppi=place.ppi)
        left, base_line = place.px(block.left, block.top + SLUG_CAP_MM + index * SLUG_LINE_MM)
        shown, top = _trimmed(mask, base_line - base)
        pieces.append((inked(shown, ink), left, top))
    notes = [Note("the slug had no room for: " + ", ".join(left_out))] if left_out else []
    return Slug(pieces, tuple(lines), notes)


def slug_parts(job: Job, *, name: bool = False) -> list[str]:
    """What the slug says, in the order in which it must not be lost.

    `job.facts` may add `lot` (of the paper), `conversion` (how colours were carried over) and `settings` (in short).
    """
    ticket, facts = job.stock.ticket, job.facts
    lot = f", lot {facts['lot']}" if facts.get("lot") else ""
    media = ticket.get("media_type") or NOT_STATED
    in_driver = ticket.get("media_name_in_driver")
    parts = [
        f"job {job.id}",
        job.made[:10],
        f"{job.recipe} on {job.stock.name}{lot}",
        f"media {media}" + (f" ({in_driver})" if in_driver else ""),
        f"quality {ticket.get('quality') or NOT_STATED}",
        f"{ticket.get('black_ink') or NOT_STATED} black",
        f"{job.stock.ppi:g} ppi",
        f"edition {job.edition}" if job.edition else "",
        f"{job.copies} copies" if job.copies > 1 else "",
        job.source.stem if name else "",
        facts.get("conversion", ""),
        *facts.get("settings", "").split("; "),
    ]
    return [part[:_SETTINGS_ROOM] for part in parts if part.strip()]


def _trimmed(
    mask: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], top: int
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.uint8]], int]:
    """Without the empty rows above and below the ink, so that the white round a line covers nothing."""
    rows = np.flatnonzero(mask.any(axis=1))
    return mask[rows[0] : rows[-1] + 1], top + int(rows[0])


def _ink(icc: bytes) -> list[int]:
    device = lab_to_device(icc, np.array([[INK_L_STAR, 0.0, 0.0]]), intent="relative")[0]
    return [round(float(value) * 65535) for value in device]
