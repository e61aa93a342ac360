"""What every row of the torture is: a name, a short form for the test suite, a long form for `make torture`, and one line of figures."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a row ended. `figures` is one line that a person can compare with the limits: "1,190 schedules, 0 lost, 0 twice"."""

    ok: bool
    figures: str


def counted(complaints: Sequence[str], *words: str) -> str:
    """How many complaints begin with each of these words, and how many with none of them: "0 lost, 2 twice, 1 else"."""
    counts = {word: sum(one.startswith(word) for one in complaints) for word in words}
    counts["else"] = len(complaints) - sum(counts.values())
    return ", ".join(f"{count} {word}" for word, count in counts.items())


def tell(complaints: Iterable[str]) -> None:
    """Show complaints to whoever watches; the line of figures only counts them."""
    for line in complaints:
        print(line, file=sys.stderr)


def linux_only() -> str:
    """What a row that needs Linux lacks elsewhere."""
    return "" if sys.platform.startswith("linux") else "Linux"


#: A row's work: the seed in, the outcome out. It may print its progress to standard error.
Form = Callable[[int], Outcome]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the torture."""

    name: str
    says: str
    short: Form | None  #: for every `make test`; None where only length proves anything
    long: Form
    missing: Callable[[], str] = lambda: (
        ""
    )  #: what this machine lacks for the row, in words; empty when it can run
