"""Sheets by name: what the standard or the trade calls a piece of paper, and its exact size.

A size never matches "nearly": 13x19 (330.2 x 482.6 mm) and A3+ (329 x 483 mm) are two sheets, and a driver told one prints the other off centre.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache

from drydown.api import MM_PER_INCH, Sheet, SizeMm
from drydown.studio.sheet_table import ROWS

#: Two sheets that differ by less on both sides are easily taken for each other (A4 and letter differ by 6.3 %, A3 and 11x17 by 6.3 %).
CONFUSABLE = 0.07


class UnknownSheet(LookupError):
    """No sheet of this name; `guess` is the next move, or empty."""

    def __init__(self, name: str, guess: str) -> None:
        self.name, self.guess = name, guess
        super().__init__(f"no sheet is called '{name}'" + (f"; {guess}" if guess else ""))


def sheet(name: str, custom: Iterable[Sheet] = ()) -> Sheet:
    """The sheet of this name: the trade's, PWG 5101.1's, or one of `custom`. Upright, in millimetres.

    Capitals, spaces and a trailing `in` do not matter. Raises `UnknownSheet` with a guess.

    >>> sheet("letter").size
    SizeMm(width=215.9, height=279.4)
    >>> sheet("super-b").name
    '13x19'
    """
    known = dict(_standard())
    known.update({_plain(own.name): own for own in custom})
    if (found := known.get(_plain(name))) is not None:
        return found
    raise UnknownSheet(name, _guess(name, known))


def standard_sheets() -> tuple[Sheet, ...]:
    """Every standard sheet once, small to large within inch sizes and within metric sizes."""
    return tuple({found.pwg: found for found in _standard().values()}.values())


def custom_sheet(name: str, width_mm: float, height_mm: float) -> Sheet:
    """A sheet that no standard names. Either side may be the longer one: the sheet is kept upright."""
    short, long = sorted((width_mm, height_mm))
    word = re.sub(r"[^a-z0-9.]+", "-", name.lower()).strip("-") or "sheet"
    return Sheet(name, SizeMm(short, long), f"custom_{word}_{short:g}x{long:g}mm")


def confusable(one: Sheet, other: Sheet) -> bool:
    """Whether two different sheets are easily taken for each other (see `CONFUSABLE`)."""
    if one.size == other.size:
        return False
    width = abs(one.size.width / other.size.width - 1)
    height = abs(one.size.height / other.size.height - 1)
    return max(width, height) < CONFUSABLE


def in_words(found: Sheet) -> str:
    """`13x19 (330.2 × 482.6 mm)`."""
    return f"{found.name} ({found.size.width:g} × {found.size.height:g} mm)"


@cache
def _standard() -> dict[str, Sheet]:
    by_name: dict[str, Sheet] = {}
    for row in ROWS:
        scale = MM_PER_INCH if row.unit == "in" else 1.0
        # A tenth of a micrometre: 8.5 inches are 215.9 mm, not 215.89999999999998.
        size = SizeMm(round(row.short * scale, 4), round(row.long * scale, 4))
        found = Sheet(row.name, size, row.pwg)
        for name in (row.name, row.pwg, *row.also):
            by_name[_plain(name)] = found
    return by_name


def _plain(name: str) -> str:
    """A name without what people write differently: capitals, blanks, the multiplication sign, inch marks."""
    text = name.strip().casefold().replace("×", "x").replace("″", "").replace('"', "")
    text = re.sub(r"[\s_]+", "-" if not re.search(r"\d\s*x\s*\d", text) else "", text)
    return re.sub(r"(?<=[0-9])-?(in|inch|inches)$", "", text)


def _guess(name: str, known: dict[str, Sheet]) -> str:
    plain = _plain(name)
    if match := re.fullmatch(r"(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)(cm)?", plain):
        turned = f"{match[2]}x{match[1]}{match[3] or ''}"
        if turned in known:
            return f"sheets are named upright: {known[turned].name}"
    if close := get_close_matches(plain, known, n=1, cutoff=0.6):
        return f"did you mean {known[close[0]].name}?"
    return "give its size in a [[custom_sheet]] table of the stock"
