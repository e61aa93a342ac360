"""A proposal in words: what changes, how surely, what is left to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from drydown.proofing.roles import INKS, ROLES, STEP, Role

_WORDS: Final[dict[Role, tuple[str, str]]] = {
    "lift_L": ("lighter", "darker"),
    "contrast": ("harder", "softer"),
    "cyan": ("more cyan", "less cyan"),
    "magenta": ("more magenta", "less magenta"),
    "yellow": ("more yellow", "less yellow"),
}


def change_in_words(values: Mapping[Role, float], base: Mapping[Role, float]) -> str:
    """
    >>> change_in_words({"magenta": -6.0, "yellow": 2.0, "lift_L": 1.2}, {"magenta": 0.0, "yellow": 0.0, "lift_L": 0.0})
    'about 1.2 L* lighter, 6 CC less magenta, 2 CC more yellow'
    """
    parts = []
    for role in ROLES:
        if role not in values or values[role] == base[role]:
            continue
        more, less = _WORDS[role]
        if role == "contrast":
            ratio = values[role] / base[role]
            parts.append(f"contrast × {ratio:.2f} ({more if ratio > 1 else less})")
            continue
        by = values[role] - base[role]
        unit = "CC" if role in INKS else "L*"
        parts.append(f"{_number(role, abs(by))} {unit} {more if by > 0 else less}")
    return "about " + ", ".join(parts) if parts else "the recipe is right as it stands"


def certainty_in_words(
    intervals: Mapping[Role, tuple[float, float]], *, settled: bool, enough: bool = False, stays: bool = False
) -> str:
    """How wide the 80 % intervals are, and whether another strip is worth its paper. `enough`: two strips have told what they can. `stays`: the intervals
    are not about the values, which do not change.

    >>> certainty_in_words({"magenta": (-7.4, -5.0), "lift_L": (0.8, 1.6)}, settled=True)
    'four in five that this is right within 1.2 CC of magenta, 0.4 L*: settled'
    """
    half = {role: _up((high - low) / 2, role) for role, (low, high) in intervals.items()}
    inks = [f"{half[ink]} of {ink}" for ink in INKS if ink in half]
    parts = [f"{inks[0].replace(' of', ' CC of')}", *inks[1:]] if inks else []
    if "lift_L" in half:
        parts.append(f"{half['lift_L']} L*")
    if "contrast" in half:
        parts.append(f"{half['contrast']} of contrast")
    left = (
        "settled"
        if settled
        else "two strips have told what an eye can"
        if enough
        else "another strip would tell more"
    )
    what = "the best is known" if stays else "four in five that this is right"
    return f"{what} within {', '.join(parts)}{' (four in five)' if stays else ''}: {left}"


def _number(role: Role, value: float) -> str:
    decimals = 0 if STEP[role] >= 1 and value == round(value) else 1
    return f"{value:.{decimals}f}"


def _up(half: float, role: Role) -> str:
    """Shortly, and never 0: nothing is known that well."""
    if role == "contrast":
        return f"{max(half, 0.01):.2f}"
    return f"{max(half, 0.1):.1f}"
