"""The proofing loop run blind against simulated printers: a strip, a ranking, another strip, a proposal; and plain picking beside it.

Nobody here tells the program what the printer's error is. `python -m tests.reference.closed_loop_table` prints the whole table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from tests.reference.simulated_printers import Bench, Floats, Printer

from drydown.imaging.strip_survey import survey
from drydown.proofing.layout import next_strip
from drydown.proofing.posterior import Judged, Proof, infer
from drydown.proofing.proposal import Proposal, propose
from drydown.proofing.roles import INKS, LIMITS, Role
from drydown.proofing.settle import numbers

PATCHES = 25
ROLES: dict[str, Role] = {f"balance.{ink}": ink for ink in INKS} | {"tone-lift.lift_L": "lift_L"}
BASE = dict.fromkeys(ROLES, 0.0)
#: A best patch that lies farther from the wanted look than this is called wrong.
STILL_OFF_dE = 1.5
MUCH_WORSE_dE = 0.3

Make = Callable[[Bench, np.random.Generator], Printer]


@dataclass(frozen=True)
class Outcome:
    """One printer after the loop; all in mean ΔE00 over the region."""

    untouched: float
    ranked: tuple[float, ...]  #: with what was proposed after the first strip, the second, ...
    plain: float  #: the same number of strips in rows, the best of each row taken
    floor: float
    proposals: tuple[Proposal, ...]


def printers(bench: Bench, make: Make, count: int, *, seed: int) -> list[Printer]:
    return [make(bench, np.random.default_rng([seed, number])) for number in range(count)]


def run(
    population: Sequence[Printer],
    bench: Bench,
    *,
    noise_dE: float,
    seed: int,
    strips: int = 2,
    named: int = 3,
    with_floor: bool = False,
) -> list[Outcome]:
    """Every printer of a population through the loop, and through plain picking by an eye with the same seed."""
    proof = Proof(icc=bench.icc, samples=bench.device * 65535, roles=ROLES, base=BASE)
    out = []
    for number, printer in enumerate(population):
        ranked, proposals = _ranked(
            printer, proof, noise_dE, np.random.default_rng([seed, number]), strips, named
        )
        plain = plain_rows(printer, noise_dE, np.random.default_rng([seed, number]), strips=strips)
        floor = printer.floor() if with_floor else 0.0
        out.append(Outcome(float(printer.distances([{}])[0]), ranked, plain, floor, proposals))
    return out


def observe(
    distances: Floats, noise_dE: float, random: np.random.Generator, *, named: int = 3
) -> tuple[list[int], bool]:
    """The patches that an eye calls best, in order, and whether even the best looks wrong to it."""
    seen = distances + random.normal(0, noise_dE, len(distances))
    order = [int(index) for index in np.argsort(seen)[:named]]
    return order, bool(seen[order[0]] > STILL_OFF_dE)


def _ranked(
    printer: Printer, proof: Proof, noise_dE: float, random: np.random.Generator, strips: int, named: int
) -> tuple[tuple[float, ...], tuple[Proposal, ...]]:
    points = [
        numbers(one.values)
        for one in survey(tuple(ROLES), BASE, limits=[LIMITS[role] for role in ROLES.values()]).variations
    ]
    judged: list[Judged] = []
    ends, proposals = [], []
    for number in range(strips):
        distances = printer.distances([proof.by_role(point) for point in points])
        order, still_off = observe(distances, noise_dE, random, named=named)
        names = [f"P{index}" for index in range(len(points))]
        judged.append(
            Judged(
                patches=dict(zip(names, points, strict=True)),
                ranking=tuple(names[index] for index in order),
                still_off=still_off and number > 0,
            )
        )
        posterior = infer(proof, judged)
        proposals.append(propose(posterior))
        ends.append(float(printer.distances([proof.by_role(proposals[-1].values)])[0]))
        if number < strips - 1:
            points = next_strip(posterior, PATCHES)
    return tuple(ends), tuple(proposals)


def plain_rows(printer: Printer, noise_dE: float, random: np.random.Generator, *, strips: int) -> float:
    """What a careful person does without the program: a row an ink and one of lift, six steps each about a centre; the best of every row is
    taken, and the next strip has half the steps. Where it ends, as mean ΔE00."""
    at: dict[Role, float] = {**dict.fromkeys(INKS, 0.0), "lift_L": 0.0}
    step: dict[Role, float] = {**dict.fromkeys(INKS, 20 / 3), "lift_L": 2.0}
    for _ in range(strips):
        moved = dict(at)
        centre = printer.distances([at])[0] + random.normal(0, noise_dE)
        for role in at:
            row = [{**at, role: at[role] + step[role] * place} for place in (-3, -2, -1, 1, 2, 3)]
            seen = printer.distances(row) + random.normal(0, noise_dE, len(row))
            best = int(seen.argmin())
            if seen[best] < centre:
                moved[role] = row[best][role]
        at, step = moved, {role: size / 2 for role, size in step.items()}
    return float(printer.distances([at])[0])


def middle_and_worst(values: Sequence[float]) -> tuple[float, float]:
    """Median and 95th percentile."""
    return float(np.median(values)), float(np.percentile(values, 95))
