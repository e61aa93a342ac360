"""Prints how well the proofing loop finds the error of simulated printers: `python -m tests.reference.closed_loop_table`.

The whole table is 200 printers of the own kind at each noise, 50 of each foreign kind, 200 good ones: some minutes. `--short` is what the tests run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from tests.reference.closed_loop import Make, MUCH_WORSE_dE, Outcome, middle_and_worst, printers, run
from tests.reference.simulated_printers import (
    Bench,
    good,
    matte,
    other_gain,
    other_inks,
    other_paper,
    own,
    pearl,
    split_cast,
    wrong_stock,
)

PRINTER_SEED, EYE_SEED = 7, 9


@dataclass(frozen=True)
class Line:
    """One population at one noise."""

    name: str
    make: Make
    noise_dE: float
    full: int
    foreign: bool = False
    on_matte: bool = False
    short: int = 16
    strips: int = 2
    named: int = 3

    def outcomes(self, count: int) -> list[Outcome]:
        bench: Bench = matte() if self.on_matte else pearl()
        population = printers(bench, self.make, count, seed=PRINTER_SEED)
        return run(
            population,
            bench,
            noise_dE=self.noise_dE,
            seed=EYE_SEED,
            strips=self.strips,
            named=self.named,
            with_floor=self.foreign,
        )


OWN = tuple(Line("own kind", own, noise, 200) for noise in (0.15, 0.5, 1.0))
FOREIGN = (
    Line("other inks", other_inks, 0.5, 50, foreign=True),
    Line("other dot gain and n", other_gain, 0.5, 50, foreign=True),
    Line("cast differs, shadow to light", split_cast, 0.5, 50, foreign=True),
    Line("another paper", other_paper, 0.5, 50, foreign=True),
)
GOOD = (Line("profile already good", good, 0.5, 200),)
MORE = (
    Line("own kind, matte paper", own, 0.5, 200, on_matte=True),
    Line("profile already good", good, 0.15, 200),
    Line("profile already good", good, 1.0, 200),
    Line("own kind, best five named", own, 0.5, 200, named=5),
    Line("own kind, three strips", own, 0.15, 200, strips=3),
    Line("own kind, three strips", own, 0.5, 200, strips=3),
    Line("other inks, three strips", other_inks, 0.5, 50, foreign=True, strips=3),
    Line("wrong stock (matte for pearl), three strips", wrong_stock, 0.5, 50, foreign=True, strips=3),
)


def row(line: Line, outcomes: Sequence[Outcome]) -> str:
    """A line of the table, in the columns of `HEAD`."""
    untouched = [o.untouched for o in outcomes]
    last = [o.ranked[-1] for o in outcomes]
    cells = [
        line.name,
        f"{line.noise_dE:g}",
        str(len(outcomes)),
        _pair(untouched),
        _pair([o.ranked[0] for o in outcomes]),
        _pair(last),
        _pair([o.plain for o in outcomes]),
        _pair([o.floor for o in outcomes]) if line.foreign else "0",
        _share([o.ranked[-1] > o.plain for o in outcomes]),
        _share([o.ranked[-1] > o.untouched + MUCH_WORSE_dE for o in outcomes]),
        _share([o.proposals[-1].settled for o in outcomes]),
        _share([bool(o.proposals[-1].doubts.contradictions) for o in outcomes]),
        _share([bool(o.proposals[-1].doubts.not_a_cast) for o in outcomes]),
    ]
    return "| " + " | ".join(cells) + " |"


HEAD = (
    "| error | noise | printers | unproofed | after one strip | at the end | plain rows | floor | worse than plain | "
    "worse than no strip by 0.3 | settled | contradicts | no cast |\n" + "|---" * 13 + "|"
)


def table(*, short: bool = False) -> Iterator[str]:
    """The table line by line, each as soon as it is known."""
    yield HEAD
    for line in (*OWN, *FOREIGN, *GOOD, *MORE):
        yield row(line, line.outcomes(line.short if short else line.full))


def _pair(values: Sequence[float]) -> str:
    middle, worst = middle_and_worst(values)
    return f"{middle:.2f} / {worst:.2f}"


def _share(those: Sequence[bool]) -> str:
    return f"{100 * np.mean(those):.0f} %"


if __name__ == "__main__":
    started_s = time.perf_counter()
    for text in table(short="--short" in sys.argv):
        print(text, flush=True)
    print(
        f"median / 95th percentile of the mean ΔE00 over the region; {time.perf_counter() - started_s:.0f} s"
    )
