"""From patches to values: what a strip's record says, a point between two patches, and what a choice changes.

Arithmetic and names only: no file, no job, no recipe. Every value is absolute, as the patch was printed, so that to settle it
is to write it down. Shifts add, so a point between two patches is taken on their numbers; contrasts multiply, so theirs is taken in the logarithm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from typing import Any, Final

from drydown.api import Value
from drydown.errors import Conflict, NotFound

#: A setting as a strip has it; None: left to the stock.
Values = Mapping[str, Value | None]
Three = tuple[float, float, float]

STRIP_VERSION: Final = 1
MULTIPLIES: Final = ("contrast",)  #: settings that multiply: half-way is the geometric mean
INKS: Final = ("cyan", "magenta", "yellow")
HOLDS: Final = "hold_lightness"
LIFT: Final = "lift_L"
#: Nothing is open any more within so much; one CC of one ink is a ΔE00 of about 0.5.
FINE_CC: Final = 1.5
FINE_L: Final = 0.5
#: Steps that a strip printed at another quality still tells about; what any other step does is colour.
NOT_COLOUR: Final = frozenset({"flatten", "crop", "resample", "sharpen"})
_DECIMALS: Final = 6  # more is the noise of adding


@dataclass(frozen=True, slots=True)
class Patch:
    """One variation on a strip."""

    name: str  #: row letter and column number
    values: Values  #: every key that the strip varies
    centre: bool = False  #: the recipe as it stood
    picture: int = 0  #: 0 is the job's own, n the n-th companion of a group proof


@dataclass(frozen=True, slots=True)
class Strip:
    """What `choose` must know of a printed strip."""

    series: str
    vary: tuple[str, ...]  #: the settings that differ from patch to patch, `step.setting`
    base: Values  #: the recipe as it stood
    patches: tuple[Patch, ...]
    other_quality: str = ""  #: the driver quality that it was printed at, where that is not the final's

    @classmethod
    def read(cls, record: Mapping[str, Any]) -> Strip:
        """The strip that a sheet maker's record tells of. Raises Conflict where it tells of none, or of one that this program cannot read."""
        if "strip" not in record:
            raise Conflict("it made no test strip")
        if record["strip"] != STRIP_VERSION:
            raise Conflict(
                f"its strip is recorded in version {record['strip']!r}, this program reads {STRIP_VERSION}"
            )
        try:
            base = {str(key): _value(value) for key, value in record["base"].items()}
            patches = tuple(_patch(patch, base) for patch in record["patches"])
            vary = tuple(str(key) for key in record["vary"])
            strip = cls(str(record["series"]), vary, base, patches, str(record.get("other_quality") or ""))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise Conflict(
                f"the record of its strip cannot be read ({type(error).__name__}: {error})"
            ) from error
        if not patches:
            raise Conflict("the record of its strip names no patch")
        return strip

    def patch(self, name: str) -> Patch:
        """The patch of that name, in small letters or capitals. Raises NotFound naming what there is."""
        wanted = name.strip().upper()
        for patch in self.patches:
            if patch.name.upper() == wanted:
                return patch
        near = get_close_matches(wanted, self.names(), 1, 0.5)
        guess = f"did you mean {near[0]}? It" if near and len(wanted) > 1 else "it"
        raise NotFound(f"there is no patch '{name}' on this strip; {guess} has {patch_ranges(self.names())}.")

    def names(self) -> tuple[str, ...]:
        """Each patch once, as laid."""
        return tuple(dict.fromkeys(patch.name for patch in self.patches))

    @property
    def centre(self) -> Patch | None:
        """The recipe as it stood, where the strip shows it."""
        return next((patch for patch in self.patches if patch.centre), None)


def between(first: Values, second: Values, at: float) -> dict[str, Value | None]:
    """The point between two patches: `at` 0 is the first, 1 the second.

    Linear in each number, in the logarithm for contrasts. What is no number must be the same on both.
    Raises ValueError for `at` outside 0..1, Conflict naming a setting that has nothing between.

    >>> between({"balance.magenta": 6.0, "tone-lift.contrast": 1.0}, {"balance.magenta": 16.0, "tone-lift.contrast": 1.21}, 0.5)
    {'balance.magenta': 11.0, 'tone-lift.contrast': 1.1}
    """
    if not 0 <= at <= 1:
        raise ValueError(f"a point between two patches lies at 0 to 1; found {at:g}")
    keys = list(dict.fromkeys((*first, *second)))
    return {key: _point(key, first.get(key), second.get(key), at) for key in keys}


def is_fine(points: Iterable[Values], around: Values) -> bool:
    """Whether all of these points lie so near `around` that nothing is open any more. Only inks and lift have such a measure."""
    fields = {key: key.rpartition(".")[2] for key in around}
    if any(field not in (*INKS, LIFT) for field in fields.values()):
        return False
    return all(
        abs(_number(key, point[key]) - _number(key, around[key])) <= (FINE_L if field == LIFT else FINE_CC)
        for point in points
        for key, field in fields.items()
    )


def without_common(values: Values, step: str, laid_down: Callable[[Three], Three]) -> dict[str, Value | None]:
    """The inks of a balance step as they were laid down, with its `hold_lightness` no longer asked for: the same print, in plain numbers.

    `laid_down`: `imaging.tone.laid_down` on the neutral response of the profile. Settings of other steps stay.
    """
    keys = [f"{step}.{ink}" for ink in INKS]
    cyan, magenta, yellow = (_number(key, values.get(key) or 0.0) for key in keys)
    inks = laid_down((cyan, magenta, yellow))
    plain: dict[str, Value | None] = {key: round(ink, _DECIMALS) for key, ink in zip(keys, inks, strict=True)}
    return {**values, **plain, f"{step}.{HOLDS}": False}


def laying_down(icc: bytes) -> Callable[[Three], Three]:
    """Asked inks to what is laid down of them where lightness is held, on the neutral response of a stock's profile."""
    from drydown.imaging.neutral import neutral_response
    from drydown.imaging.tone import laid_down

    return partial(laid_down, neutral_response(icc, channels=3))


@dataclass(frozen=True, slots=True)
class Change:
    """One setting before and after a choice; None: left to the stock."""

    key: str
    old: Value | None
    new: Value | None

    @property
    def multiplies(self) -> bool:
        """Whether its difference is a factor."""
        return multiplies(self.key)

    @property
    def difference(self) -> float | None:
        """What was added, or for a contrast the factor; None where that says nothing."""
        if not (_is_number(self.old) and _is_number(self.new)):
            return None
        old, new = float(self.old or 0), float(self.new or 0)
        if self.multiplies:
            return round(new / old, _DECIMALS) if old > 0 else None
        return round(new - old, _DECIMALS)


def numbers(values: Values) -> dict[str, float]:
    """Values that are all numbers. Raises Conflict naming one that is not."""
    return {key: _number(key, value) for key, value in values.items()}


def changes(old: Values, new: Values) -> tuple[Change, ...]:
    """Each setting of `new`, in its order, against `old`."""
    return tuple(Change(key, old.get(key), value) for key, value in new.items())


def colour_keys(keys: Iterable[str], uses: Mapping[str, str]) -> list[str]:
    """The settings that a strip printed at another quality says nothing about. `uses`: name of a step -> what it uses."""
    return [key for key in keys if uses.get(step_of(key), "") not in NOT_COLOUR]


def step_of(key: str) -> str:
    """`balance` of `balance.magenta`."""
    return key.partition(".")[0]


def multiplies(key: str) -> bool:
    """Whether a setting is a factor, so that half-way is taken in its logarithm."""
    return key.rpartition(".")[2] in MULTIPLIES


def patch_ranges(names: Sequence[str]) -> str:
    """`A1 to A5, B1 to B5 and C2`: rows in short.

    >>> patch_ranges(["A1", "A2", "A3", "B1", "C2"])
    'A1 to A3, B1 and C2'
    """
    runs: list[list[str]] = []
    for name in names:
        if runs and _follows(runs[-1][-1], name):
            runs[-1].append(name)
        else:
            runs.append([name])
    told = [f"{run[0]} to {run[-1]}" if len(run) > 1 else run[0] for run in runs]
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"


def _follows(one: str, other: str) -> bool:
    row, column = one.rstrip("0123456789"), one[len(one.rstrip("0123456789")) :]
    return column.isdecimal() and other == f"{row}{int(column) + 1}"


def _patch(patch: Mapping[str, Any], base: Values) -> Patch:
    own = {str(key): _value(value) for key, value in patch["values"].items()}
    picture = patch.get("picture", 0)
    if not isinstance(picture, int) or picture < 0:
        raise ValueError(f"patch {patch['name']} is of picture {picture!r}")
    return Patch(str(patch["name"]), {**base, **own}, bool(patch.get("centre")), picture)


def _value(value: Any) -> Value | None:
    if value is None or isinstance(value, bool | int | str) or (_is_number(value) and math.isfinite(value)):
        return value  # type: ignore[no-any-return]
    raise ValueError(f"{value!r} is no value of a setting")


def _point(key: str, first: Value | None, second: Value | None, at: float) -> Value | None:
    if first == second and type(first) is type(second):
        return first
    if not (_is_number(first) and _is_number(second)):
        raise Conflict(
            f"nothing lies between {_told(first)} and {_told(second)} of {key}: choose one of the two patches"
        )
    one, other = _number(key, first), _number(key, second)
    if not multiplies(key):
        return _tidy(_mixed(one, other, at), first, second)
    if min(one, other) <= 0:
        raise Conflict(f"{key} is a factor, and {min(one, other):g} is none")
    return _tidy(math.exp(_mixed(math.log(one), math.log(other), at)), first, second)


def _mixed(one: float, other: float, at: float) -> float:
    # so written, half-way is the same number from either side to the last digit
    return one * (1 - at) + other * at


def _tidy(value: float, first: Value | None, second: Value | None) -> Value:
    """Without the noise of adding; a whole number where both ends are."""
    rounded = round(value, _DECIMALS)
    whole = isinstance(first, int) and isinstance(second, int) and rounded.is_integer()
    return int(rounded) if whole else rounded


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(key: str, value: Value | None) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Conflict(
            f"{key} is {_told(value)}, which is no number: choose one patch, or write a number into the recipe"
        )
    return float(value)


def _told(value: Value | None) -> str:
    return (
        "the stock's own" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    )
