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


def certainty_in_words(intervals: Mapping[Role, tuple[float, float]], *, settled: bool) -> str:
    """How wide the 80 % intervals are, and whether another strip is worth its paper."""
    half = {role: (high - low) / 2 for role, (low, high) in intervals.items()}
    parts = []
    inks = [f"{_up(half[ink]):g} {ink}" for ink in INKS if ink in half]
    if inks:
        parts.append(f"± {', '.join(inks)} CC")
    if "lift_L" in half:
        parts.append(f"± {_up(half['lift_L']):g} L*")
    if "contrast" in half:
        parts.append(f"± {half['contrast']:.2f} contrast")
    sure = f"four in five that it lies within {', '.join(parts)}"
    return f"{sure}; settled" if settled else f"{sure}; another strip would tell more"


def _number(role: Role, value: float) -> str:
    decimals = 0 if STEP[role] >= 1 and value == round(value) else 1
    return f"{value:.{decimals}f}"


def _up(half: float) -> float:
    """In tenths, and never 0: nothing is known that well."""
    return max(round(half, 1), 0.1)
