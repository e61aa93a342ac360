"""The five settings that a ranking can be read for, what they are called, and how finely they are set.

Recipes name settings by key (`balance.magenta`); what a key does to the print is its role. A setting without a role (sharpening, a studio's own)
can be proofed and chosen like any other, but no ranking says what it should have been.
"""

from __future__ import annotations

from typing import Final, Literal

Role = Literal["lift_L", "contrast", "cyan", "magenta", "yellow"]
INKS: Final[tuple[Role, ...]] = ("cyan", "magenta", "yellow")
ROLES: Final[tuple[Role, ...]] = ("lift_L", "contrast", *INKS)

#: The steps in which a proposal is made: what one eye can tell apart, and no finer.
STEP: Final[dict[Role, float]] = {"lift_L": 0.2, "contrast": 0.01, "cyan": 1.0, "magenta": 1.0, "yellow": 1.0}
#: The limits that the steps tone-lift and balance set (a test holds them together).
LIMITS: Final[dict[Role, tuple[float, float]]] = {
    "lift_L": (-12.0, 12.0),
    "contrast": (0.8, 1.25),
    "cyan": (-60.0, 60.0),
    "magenta": (-60.0, 60.0),
    "yellow": (-60.0, 60.0),
}
IDENTITY: Final[dict[Role, float]] = {
    "lift_L": 0.0,
    "contrast": 1.0,
    "cyan": 0.0,
    "magenta": 0.0,
    "yellow": 0.0,
}
_STEPS_OF: Final = {"tone-lift": ("lift_L", "contrast"), "balance": INKS}


def role_of(use: str, field: str) -> Role | None:
    """The role of a field of a step, `use` being the name that the step is offered under.

    >>> role_of("balance", "magenta"), role_of("sharpen", "strength")
    ('magenta', None)
    """
    for role in ROLES:
        if role == field and role in _STEPS_OF.get(use, ()):
            return role
    return None


def rounded(role: Role, value: float) -> float:
    """A value in the steps of a proposal, within the setting's limits.

    >>> rounded("lift_L", 1.27), rounded("cyan", -3.4)
    (1.2, -3.0)
    """
    low, high = LIMITS[role]
    return min(max(round(round(value / STEP[role]) * STEP[role], 4), low), high)
