"""What stands below each patch: its name, and its values in words that fit its width.

Knows the trade's short names for the settings of tone and balance; any other setting is called by its own name, or by a letter where that is too long.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from drydown.api import Value
from drydown.imaging.lettering import width_mm
from drydown.imaging.strip_layout import LINE_MM, NAME_CAP_MM, VALUE_CAP_MM
from drydown.imaging.strip_page import Page
from drydown.imaging.strip_series import CENTRE, Variation

_SHORT: Final = {"cyan": "C", "magenta": "M", "yellow": "Y", "lift_L": "lift", "contrast": "contrast"}
_SIGNED: Final = {"cyan", "magenta", "yellow", "lift_L"}
LETTERS: Final = "pqrstu"
_SPACE_MM: Final = 1.8  #: between a name and what follows it, and between two values
DOT: Final = "\u2022"  #: stands for a drawn dot; the face has none of its own
_DOT_MM: Final = 2.2
_AFTER_DOT_MM: Final = 0.8


def cell_name(row: int, column: int) -> str:
    """Row letter and column number.

    >>> cell_name(1, 2)
    'B3'
    """
    return f"{chr(ord('A') + row)}{column + 1}"


def shown_value(key: str, value: Value | None) -> str:
    """A value as it is printed: signed where 0 changes nothing, at most three places.

    >>> shown_value("balance.cyan", 5.0), shown_value("sharpen.strength", 0.4), shown_value("tone-lift.lift_L", -1.5)
    ('+5', '0.4', '-1.5')
    """
    if not isinstance(value, int | float):
        return "as it stands" if value is None else str(value)
    text = f"{float(value):.3f}".rstrip("0").rstrip(".")
    text = "0" if text == "-0" else text
    return f"+{text}" if key.partition(".")[2] in _SIGNED and value > 0 and text != "0" else text


def parts(variation: Variation, keys: Sequence[str], *, wide_mm: float) -> list[str]:
    """What follows the name, value by value; the centre is marked by a dot, and by its name where no values are said."""
    if variation.label:
        return variation.label.split(" ")
    called = zip(keys, names(keys, wide_mm=wide_mm), strict=True)
    said = [
        f"{name} {shown_value(key, value)}"
        for key, name in called
        if (value := variation.values[key]) is not None
    ]
    if not variation.centre:
        return said
    return [DOT, *said] if said else [CENTRE]


def names(keys: Sequence[str], *, wide_mm: float) -> list[str]:
    """What each setting is called on a strip: short, its own name, or where that does not fit or two are called alike a letter, which the legend explains."""
    own = [_SHORT.get(field := key.partition(".")[2], field) for key in keys]
    plain = [_fits(name, wide_mm) and own.count(name) == 1 for name in own]
    return [
        name if alone else LETTERS[n % len(LETTERS)]
        for n, (name, alone) in enumerate(zip(own, plain, strict=True))
    ]


def _fits(name: str, wide_mm: float) -> bool:
    return width_mm(f"{name} 0.00", VALUE_CAP_MM) <= wide_mm


def broken(name: str, said: Sequence[str], *, wide_mm: float) -> list[list[tuple[str, float]]]:
    """The caption line by line, each piece with its left end in mm; the name stands first on the first line. What is longer than a line is broken at its space."""
    rows: list[list[tuple[str, float]]] = [[]]
    reached = width_mm(name, NAME_CAP_MM) + _SPACE_MM
    pieces = [piece for text in said for piece in ([text] if _long(text) <= wide_mm else text.split(" "))]
    for text in pieces:
        long = _long(text)
        if (rows[-1] or len(rows) == 1) and reached + long > wide_mm + 1e-6:
            rows.append([])
            reached = 0.0
        rows[-1].append((text, reached))
        reached += long + _SPACE_MM
    return rows


def _long(text: str) -> float:
    if text == DOT:
        return _DOT_MM
    return width_mm(text, VALUE_CAP_MM) + (_DOT_MM + _AFTER_DOT_MM if text == CENTRE else 0.0)


def draw(
    page: Page, name: str, rows: Sequence[Sequence[tuple[str, float]]], left_px: int, top_px: int
) -> None:
    """The caption, the top of its capitals at `top_px`."""
    base = top_px + page.px(NAME_CAP_MM)
    page.type_px(name, left_px, round(base), NAME_CAP_MM)
    for number, row in enumerate(rows):
        line = round(base + number * page.px(LINE_MM))
        for text, at in row:
            left = left_px + round(page.px(at))
            if text in (DOT, CENTRE):
                page.dot_px(left, line, _DOT_MM)
                left += round(page.px(_DOT_MM + _AFTER_DOT_MM))
            if text != DOT:
                page.type_px(text, left, line, VALUE_CAP_MM)
