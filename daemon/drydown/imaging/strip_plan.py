"""From what a strip is asked for to its series: where each setting stands, by how much it is stepped, and how many patches that makes.

Asks renders for settings and for what a step says of itself; renders no pixels.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from drydown.api import Job, Refusal, Render, Value
from drydown.imaging.strip_series import (
    RINGS,
    Kind,
    Numbers,
    Series,
    Three,
    counted,
    grid,
    number,
    pointed,
    ring_around,
)
from drydown.imaging.strip_survey import VERIFIED, survey

#: What a setting is stepped by where nothing is said: (step, whether it multiplies, least, most). Beyond the limits there is no patch.
_USUAL: Final[Mapping[str, tuple[float, bool, float, float]]] = {
    "cyan": (0.0, False, -60, 60),  # 0: the step of the ring-around
    "magenta": (0.0, False, -60, 60),
    "yellow": (0.0, False, -60, 60),
    "lift_L": (2.0, False, -12, 12),
    "contrast": (1.08, True, 0.8, 1.25),
    "strength": (0.15, False, 0, 1),
}
#: With these, tone and balance change nothing.
_IDENTITY: Final[Mapping[str, float]] = {
    "cyan": 0.0,
    "magenta": 0.0,
    "yellow": 0.0,
    "lift_L": 0.0,
    "contrast": 1.0,
}
_INKS: Final = ("cyan", "magenta", "yellow")
_TRIED_CC: Final = 10.0
_MOST_COUNT: Final = (25, 9)  #: tried where a sheet is to be filled: of one setting, and of each of two


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is to vary, and how."""

    kind: Kind
    keys: tuple[str, ...]
    values: Sequence[Sequence[float]] = ()
    points: Sequence[Mapping[str, float]] = ()
    step: Sequence[float] = ()
    count: tuple[int, ...] = ()
    step_cc: float = 10.0
    lift_step_L: float = 2.0
    contrast_step: float = 1.08
    patches: int | None = None
    fills_sheet: bool = False  #: the size of a patch is given: as many as fit
    balance_step: str = "balance"
    verified: bool = False


def stands(render: Render, key: str, job: Job) -> Value | None:
    """A setting as the recipe has it; a strength that it leaves to the stock, the stock's; None for anything else that is left open.

    Raises Refusal for a setting that does not exist or is not a number.
    """
    value = render.setting(key)
    if value is None and key.endswith(".strength"):
        value = job.stock.sharpen_strength
    if value is not None:
        number(value, key)
    return value


def bare(base: Numbers) -> Numbers:
    """The same with every setting of tone and balance so that it changes nothing."""
    return {key: _IDENTITY.get(_field(key), value) for key, value in base.items()}


def wanted(asked: Asked, renders: Sequence[Render], bases: Sequence[Numbers]) -> Iterator[list[Series]]:
    """The series of each picture; where it is open how many patches there are, one answer after the other, the largest first.

    Raises Refusal where the numbers do not go together.
    """
    group = len(renders) > 1
    if asked.kind == "ring-around":
        yield from _rings(asked, renders, bases)
    elif asked.kind == "survey":
        limits, spread = [_USUAL[_field(key)][2:] for key in asked.keys], VERIFIED if asked.verified else 1.0
        yield [survey(asked.keys, base, limits=limits, spread=spread) for base in bases]
    elif asked.kind == "points":
        yield [pointed(asked.points, base, stands_first=group) for base in bases]
    elif asked.values:
        yield [grid("vary", asked.keys, base, asked.values, stands_first=group) for base in bases]
    else:
        for counts in _counts(asked):
            keys = asked.keys[: len(counts)]
            own = [{key: base[key] for key in keys} for base in bases]
            yield [grid(asked.kind, keys, base, _stepped(asked, base, counts)) for base in own]


def _rings(asked: Asked, renders: Sequence[Render], bases: Sequence[Numbers]) -> Iterator[list[Series]]:
    if asked.patches is not None and asked.patches not in RINGS:
        raise Refusal(
            f"A ring-around has 7, 13 or 19 patches, and patches = {asked.patches} was asked for. Take one of these, or vary two settings."
        )
    laid = [_per_cc(one, asked.balance_step) for one in renders]
    for count in (asked.patches,) if asked.patches else (13, 7):
        yield [
            ring_around(asked.keys, base, per_cc, step_cc=asked.step_cc, patches=count)
            for per_cc, base in zip(laid, bases, strict=True)
        ]


def _counts(asked: Asked) -> Iterator[tuple[int, ...]]:
    """How many values of each setting, or of the first alone."""
    keys = len(asked.keys)
    if asked.count:
        yield asked.count
    elif asked.kind == "exposure":
        yield from dict.fromkeys(((5, 3)[:keys], (5,), (3,)))
    elif asked.patches is not None:
        each = asked.patches if keys == 1 else int(asked.patches**0.5)
        yield (max(3, each - (each + 1) % 2),) * keys
    elif asked.fills_sheet:
        yield from ((each,) * keys for each in range(_MOST_COUNT[keys - 1], 1, -2))
    else:
        yield from ((5,) * keys, (3,) * keys)


def _stepped(asked: Asked, base: Numbers, counts: Sequence[int]) -> list[list[float]]:
    """The values of each setting about the recipe's own. Raises Refusal where neither step nor start is known."""
    lists = []
    for index, (key, count) in enumerate(zip(base, counts, strict=True)):
        if base[key] is None:
            raise Refusal(
                f"The recipe leaves '{key}' open, so there is nothing to step from. Give values, or set it in the recipe."
            )
        step, factor, least, most = _step(asked, index, key)
        steps = counted(number(base[key], key), step, count, factor=factor)
        lists.append([value for value in steps if least <= value <= most])
    return lists


def _step(asked: Asked, index: int, key: str) -> tuple[float, bool, float, float]:
    """Step, whether it multiplies, and the limits beyond which there is no patch."""
    usual = _USUAL.get(_field(key))
    if usual is None and not asked.step:
        raise Refusal(f"It is not known how far '{key}' is to be stepped. Give step, or values.")
    step, factor, least, most = usual or (0.0, False, -inf, inf)
    if asked.step:
        step = asked.step[index]
    elif asked.kind == "exposure":
        step = asked.contrast_step if factor else asked.lift_step_L
    if factor and step <= 0:
        raise Refusal(f"The step of '{key}' is a factor, and {step:g} is none. Give one such as 1.08.")
    return step or asked.step_cc, factor, least, most


def _per_cc(render: Render, step: str) -> list[Three]:
    """For each ink, what is laid down of all three when that one gains 1 CC and lightness is held.

    The step itself says it, because the shares follow from the profile that the picture is in where the step stands.
    """
    found = []
    for alone in _INKS:
        tried: dict[str, Value] = {f"{step}.{ink}": _TRIED_CC if ink == alone else 0.0 for ink in _INKS}
        frame = render({**tried, f"{step}.hold_lightness": True})
        said = [note.figures for note in frame.notes if note.step == step]
        if not said or not all(ink in said[-1] for ink in _INKS):
            raise Refusal(
                f"The step '{step}' does not say what it lays down, so lightness cannot be held. "
                "Name the recipe's step balance in balance_step, or vary its settings one by one."
            )
        cyan, magenta, yellow = (float(said[-1][ink]) / _TRIED_CC for ink in _INKS)
        found.append((cyan, magenta, yellow))
    return found


def _field(key: str) -> str:
    return key.partition(".")[2]
