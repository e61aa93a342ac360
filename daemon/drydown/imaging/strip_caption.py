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
_LETTERS: Final = "pqrstu"
_SPACE_MM: Final = 1.8  #: between a name and what follows it, and between two values
_DOT_MM: Final = 2.2


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
    """What follows the name, value by value."""
    if variation.label:
        return variation.label.split(" ")
    called = zip(keys, names(keys, wide_mm=wide_mm), strict=True)
    said = [f"{name} {shown_value(key, value)}" for key, name in called if (value := variation.values[key]) is not None]
    return [CENTRE, *said] if variation.centre else said


def names(keys: Sequence[str], *, wide_mm: float) -> list[str]:
    """What each setting is called on a strip: short, its own name, or a letter that the legend explains."""
    own = [_SHORT.get(field := key.partition(".")[2], field) for key in keys]
    return [name if _fits(name, wide_mm) else _LETTERS[n % len(_LETTERS)] for n, name in enumerate(own)]


def _fits(name: str, wide_mm: float) -> bool:
    return width_mm(f"{name} -0.000", VALUE_CAP_MM) <= wide_mm


def broken(name: str, said: Sequence[str], *, wide_mm: float) -> list[list[tuple[str, float]]]:
    """The caption line by line, each piece with its left end in mm; the name stands first on the first line. `centre` has a dot before it."""
    rows: list[list[tuple[str, float]]] = [[]]
    reached = width_mm(name, NAME_CAP_MM) + _SPACE_MM
    for text in said:
        long = width_mm(text, VALUE_CAP_MM) + (_DOT_MM + 0.8 if text == CENTRE else 0.0)
        if (rows[-1] or len(rows) == 1) and reached + long > wide_mm + 1e-6:
            rows.append([])
            reached = 0.0
        rows[-1].append((text, reached))
        reached += long + _SPACE_MM
    return rows


def draw(page: Page, name: str, rows: Sequence[Sequence[tuple[str, float]]], left_px: int, top_px: int) -> None:
    """The caption, the top of its capitals at `top_px`."""
    base = top_px + page.px(NAME_CAP_MM)
    page.type_px(name, left_px, round(base), NAME_CAP_MM)
    for number, row in enumerate(rows):
        line = round(base + number * page.px(LINE_MM))
        for text, at in row:
            left = left_px + round(page.px(at))
            if text == CENTRE:
                page.dot_px(left, line, _DOT_MM)
                left += round(page.px(_DOT_MM + 0.8))
            page.type_px(text, left, line, VALUE_CAP_MM)
