"""The variations of a test strip: which values each patch has, what it is called after, and where it stands among the others.

Pure arithmetic on names and numbers. Knows no pixels, no sheets and no steps but the names of their settings.

A ring-around lies in the plane of colours of one lightness: what three inks have in common is taken out (`imaging.tone.laid_down`). There
more of two inks is exactly less of the third, so that red is -C, green -M and blue -Y, and the pairs that are new are one ink more
and another less: half-way between two neighbours of the ring. So 13 patches are the centre, six single and six pairs; 19 add the six single at twice the step.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final, Literal

from drydown.api import Refusal, Value

Kind = Literal["ring-around", "survey", "exposure", "vary", "points"]
Cell = tuple[int, int]
Three = tuple[float, float, float]
Numbers = Mapping[str, Value | None]

INKS: Final = ("C", "M", "Y")
CENTRE: Final = "centre"
#: hue round the ring: magenta, red, yellow, green, cyan, blue, as (cyan, magenta, yellow) in steps; and where each stands in 3 rows of 5
_SINGLES: Final[dict[Cell, Three]] = {
    (1, 3): (0, 1, 0),
    (0, 3): (-1, 0, 0),
    (0, 1): (0, 0, 1),
    (1, 1): (0, -1, 0),
    (2, 1): (1, 0, 0),
    (2, 3): (0, 0, -1),
}
_PAIRS: Final[dict[Cell, Three]] = {
    (0, 4): (-1, 1, 0),
    (0, 2): (-1, 0, 1),
    (0, 0): (0, -1, 1),
    (2, 0): (1, -1, 0),
    (2, 2): (1, 0, -1),
    (2, 4): (0, 1, -1),
}
#: the second ring stands outside the first, in 5 rows of 5: its middle row is row 2
_OUTER: Final[dict[Cell, Three]] = {
    (2, 4): (0, 2, 0),
    (0, 3): (-2, 0, 0),
    (0, 1): (0, 0, 2),
    (2, 0): (0, -2, 0),
    (4, 1): (2, 0, 0),
    (4, 3): (0, 0, -2),
}
RINGS: Final = (7, 13, 19)  #: how many patches a ring-around may have
_ROW_OF_SEVEN: Final = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 0, 0), (-1, 0, 0), (0, -1, 0), (0, 0, -1))
CC_DECIMALS: Final = 1  #: a tenth of a CC is a twentieth of what an eye can tell
_DECIMALS: Final = 6  # of any other value: more is the noise of adding


@dataclass(frozen=True, slots=True)
class Variation:
    """One patch's worth of settings."""

    values: Numbers  #: every key that is varied; None: left as the recipe leaves it
    label: str = ""  #: what is printed beside the patch's name; empty: the values themselves
    centre: bool = False  #: the recipe as it stands
    at: Cell | None = None  #: row and column of an arranged series; None: in reading order


@dataclass(frozen=True, slots=True)
class Series:
    """Variations that belong together, in reading order."""

    kind: Kind
    keys: tuple[str, ...]
    base: Numbers  #: the recipe as it stands
    variations: tuple[Variation, ...]
    shape: Cell | None = None  #: rows and columns of an arranged series

    @property
    def centre(self) -> Variation:
        """The recipe as it stands."""
        return next(one for one in self.variations if one.centre)

    def flat(self) -> Series:
        """The same in reading order, without an arrangement of its own."""
        return replace(self, shape=None, variations=tuple(replace(one, at=None) for one in self.variations))


def ring_around(
    keys: Sequence[str], base: Numbers, per_cc: Sequence[Three], *, step_cc: float, patches: int
) -> Series:
    """A colour ring-around of 7, 13 or 19 patches about `base`.

    `keys`: cyan, magenta and yellow. `per_cc`: for each ink, what is laid down of the three when it alone gains 1 CC and lightness is held.
    """
    if patches == RINGS[0]:
        cells: list[tuple[Cell | None, Three]] = [(None, step) for step in _ROW_OF_SEVEN]
        shape = None
    else:
        rows = 3 if patches == RINGS[1] else 5
        down = (rows - 3) // 2
        inner = {(row + down, column): step for (row, column), step in (_SINGLES | _PAIRS).items()}
        arranged = {(down + 1, 2): (0.0, 0.0, 0.0), **inner, **(_OUTER if rows == 5 else {})}
        cells, shape = sorted(arranged.items()), (rows, 5)
    variations = []
    for cell, steps in cells:
        if not any(steps):
            variations.append(Variation(dict(base), CENTRE, True, cell))
            continue
        laid = [moved(base[key], step_cc * _laid(steps, per_cc, ink), key) for ink, key in enumerate(keys)]
        variations.append(
            Variation(dict(zip(keys, laid, strict=True)), _cc_label(steps, step_cc), False, cell)
        )
    return Series("ring-around", tuple(keys), dict(base), tuple(variations), shape)


def grid(
    kind: Kind,
    keys: Sequence[str],
    base: Numbers,
    lists: Sequence[Sequence[float]],
    *,
    stands_first: bool = False,
) -> Series:
    """Every combination of the values of one or two settings: columns by the first, rows by the second; one setting in reading order.

    The recipe as it stands is always there: where the values leave it out it is added, among one setting's values in its place, else as the last;
    with `stands_first` it always comes first, as it does where several pictures share a strip.
    """
    columns, *rest = lists
    rows = rest[0] if rest else [None]
    variations = []
    for (row, below), (column, across) in product(enumerate(rows), enumerate(columns)):
        numbers = [across] if below is None else [across, below]
        values = {key: _like(base[key], number, key) for key, number in zip(keys, numbers, strict=True)}
        at = (row, column) if rest else None
        variations.append(Variation(values, at=at, centre=not stands_first and values == base))
    series = Series(
        kind, tuple(keys), dict(base), tuple(variations), (len(rows), len(columns)) if rest else None
    )
    return _with_centre(series, first=stands_first)


def pointed(points: Sequence[Mapping[str, float]], base: Numbers, *, stands_first: bool = False) -> Series:
    """Patches at points given one by one; a key that a point leaves out stays as the recipe has it. The recipe as it stands is added where it is not among them."""
    variations = []
    for point in points:
        values = {key: _like(base[key], point[key], key) if key in point else base[key] for key in base}
        variations.append(Variation(values, centre=not stands_first and values == base))
    return _with_centre(Series("points", tuple(base), dict(base), tuple(variations)), first=stands_first)


def counted(base: float, step: float, count: int, *, factor: bool) -> list[float]:
    """An odd number of values about `base`: by adding `step`, or for a `factor` by multiplying with it.

    >>> counted(0.4, 0.1, 3, factor=False), counted(1.0, 1.1, 3, factor=True)
    ([0.3, 0.4, 0.5], [0.909091, 1.0, 1.1])
    """
    places = range(-(count // 2), count // 2 + 1)
    return [
        base if not n else round(base * step**n if factor else base + step * n, _DECIMALS) for n in places
    ]


def _with_centre(series: Series, *, first: bool) -> Series:
    if any(one.centre for one in series.variations):
        return series
    centre = Variation(dict(series.base), centre=True)
    if first:
        return replace(series.flat(), variations=(centre, *series.flat().variations))
    ordered = [*series.flat().variations, centre]
    value = [one.values[series.keys[0]] for one in ordered]
    if series.kind == "vary" and len(series.keys) == 1 and all(isinstance(v, int | float) for v in value):
        ordered.sort(key=lambda one: float(one.values[series.keys[0]] or 0))
    return replace(series.flat(), variations=tuple(ordered))


def _laid(steps: Three, per_cc: Sequence[Three], ink: int) -> float:
    """How much of one ink so many steps of the three lay down."""
    return sum(step * per_cc[alone][ink] for alone, step in enumerate(steps))


def moved(base: Value | None, move: float, key: str) -> Value:
    """The value of an ink or a lift, moved, to a tenth."""
    return _like(base, round(number(base, key) + move, CC_DECIMALS), key)


def _cc_label(steps: Three, step_cc: float) -> str:
    """`+10M`, or for a pair `+10M -10C`: what is gained comes first."""
    parts = sorted(((n * step_cc, ink) for n, ink in zip(steps, INKS, strict=True) if n), reverse=True)
    return " ".join(f"{cc:+g}{ink}" for cc, ink in parts)


def number(value: Value | None, key: str) -> float:
    """The value of a setting that can be varied. Raises Refusal for one that is not a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        what = f"it is {str(value).lower() if isinstance(value, bool) else repr(value)}"
        raise Refusal(
            f"'{key}' cannot be varied in steps: {what}, not a number. Vary a setting that is a number."
        )
    return float(value)


def _like(base: Value | None, value: float, key: str) -> Value:
    """The value as the setting's own kind: a whole number stays one. Raises Refusal where the setting has another kind."""
    if base is not None:
        number(base, key)
    if not isinstance(base, int):
        return round(float(value), _DECIMALS)
    if not float(value).is_integer():
        raise Refusal(
            f"'{key}' counts in whole numbers (it is {base}), and {value:g} is none. Give whole values, or a whole step."
        )
    return int(value)


def arrangements(series: Series) -> list[Series]:
    """The series as it is meant, and on its side where that means the same; the last resort, reading order, is not among them."""
    if series.shape is None or series.kind == "ring-around":
        return [series]
    rows, columns = series.shape
    turned = [replace(one, at=(one.at[1], one.at[0])) for one in series.variations if one.at is not None]
    return [
        series,
        replace(
            series, shape=(columns, rows), variations=tuple(sorted(turned, key=lambda one: one.at or (0, 0)))
        ),
    ]
