"""Sizes, edges and intents in the words that a printmaker reads."""

from __future__ import annotations

from collections.abc import Sequence

from drydown.api import MM_PER_INCH, EdgesMm, Intent, SizeMm

#: ICC.1's own names of its rendering intents.
INTENTS: dict[Intent, str] = {
    "perceptual": "perceptual",
    "relative": "media-relative colorimetric",
    "saturation": "saturation",
    "absolute": "ICC-absolute colorimetric",
}
SIDES = ("top", "right", "bottom", "left")


def number(value: float, places: int = 2) -> str:
    """A number without needless noughts.

    >>> number(12.70), number(431.80000000000001)
    ('12.7', '431.8')
    """
    return f"{round(value, places):.{places}f}".rstrip("0").rstrip(".") if value % 1 else f"{value:.0f}"


def size(found: SizeMm, ppi: float | None = None) -> str:
    """`279.4 × 431.8 mm (11 × 17 in)`, with `ppi` also in pixels."""
    inches = " × ".join(number(side / MM_PER_INCH) for side in (found.width, found.height))
    text = f"{number(found.width)} × {number(found.height)} mm ({inches} in)"
    if ppi is None:
        return text
    width, height = found.px(ppi)
    return f"{text}, {width} × {height} px"


def edges(found: EdgesMm) -> str:
    """`3 mm all round`, or each side by name."""
    values = [getattr(found, side) for side in SIDES]
    if len(set(values)) == 1:
        return f"{number(values[0])} mm all round"
    return ", ".join(f"{side} {number(value)}" for side, value in zip(SIDES, values, strict=True)) + " mm"


def setting(value: object) -> str:
    """A setting as a recipe would write it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return number(value, 4)
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(setting(item) for item in value)}]"
    return "not set" if value is None else str(value) or '""'
