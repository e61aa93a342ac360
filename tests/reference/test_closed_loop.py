"""The proofing loop against printers that differ from their profile: a short form of `python -m tests.reference.closed_loop_table`.

The limits are the project's own, those of the long table; here 16 printers a line stand for 50 to 200, with seeds that never change.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from tests.reference.closed_loop import MUCH_WORSE_dE, Outcome, middle_and_worst
from tests.reference.closed_loop_table import FOREIGN, GOOD, OWN, Line
from tests.reference.simulated_printers import Bench, matte, own, pearl, wrong_stock

from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import balance_table, tone_table

OWN_LIMITS = {0.15: (0.6, 1.2), 0.5: (0.8, 1.5)}
OVER_THE_FLOOR = (0.45, 1.2)


@cache
def outcomes(line: Line) -> list[Outcome]:
    return line.outcomes(line.short)


def ranked(line: Line) -> tuple[float, float]:
    return middle_and_worst([outcome.ranked[-1] for outcome in outcomes(line)])


@pytest.mark.parametrize("line", OWN, ids=lambda line: f"noise {line.noise_dE:g}")
def test_two_strips_by_ranking_find_a_hidden_cast_and_tone(line: Line) -> None:
    middle, worst = ranked(line)
    if line.noise_dE in OWN_LIMITS:
        limits = OWN_LIMITS[line.noise_dE]
        assert middle <= limits[0] and worst <= limits[1]
    untouched, _ = middle_and_worst([outcome.untouched for outcome in outcomes(line)])
    assert untouched > 5 > 4 * middle


@pytest.mark.parametrize("line", FOREIGN, ids=lambda line: line.name)
def test_with_an_error_of_another_kind_they_come_near_what_four_numbers_can_do(line: Line) -> None:
    floor = middle_and_worst([outcome.floor for outcome in outcomes(line)])
    over = np.array(ranked(line)) - floor
    assert (over <= OVER_THE_FLOOR).all()
    assert floor[0] > 0.3  # otherwise the kind is not foreign, and proves nothing


@pytest.mark.parametrize("line", [*OWN, *FOREIGN, *GOOD], ids=lambda line: f"{line.name}, {line.noise_dE:g}")
def test_over_the_population_they_are_no_worse_than_plain_picking(line: Line) -> None:
    plain = middle_and_worst([outcome.plain for outcome in outcomes(line)])
    assert (np.array(ranked(line)) <= plain).all()


@pytest.mark.parametrize("line", GOOD, ids=lambda line: line.name)
def test_a_good_profile_is_not_spoiled(line: Line) -> None:
    spoiled = [outcome.ranked[-1] > outcome.untouched + MUCH_WORSE_dE for outcome in outcomes(line)]
    assert np.mean(spoiled) <= 0.05
    assert max(outcome.untouched for outcome in outcomes(line)) < 1


def test_two_strips_are_enough_unless_the_profile_is_at_fault() -> None:
    wrong = Line("wrong stock (matte for pearl)", wrong_stock, 0.5, 50, short=8)
    assert not any(outcome.proposals[-1].enough for outcome in outcomes(wrong))
    for line in OWN[:2]:
        enough = [outcome for outcome in outcomes(line) if outcome.proposals[-1].enough]
        assert len(enough) >= 0.9 * len(outcomes(line))
        assert middle_and_worst([outcome.ranked[-1] for outcome in enough])[1] < 1.5
        assert not any(outcome.proposals[0].enough for outcome in outcomes(line)), "never after one"


def test_a_wrong_stock_is_named_as_such_and_a_cast_is_not() -> None:
    wrong = Line("wrong stock (matte for pearl)", wrong_stock, 0.5, 50, short=8)
    assert all(outcome.proposals[-1].doubts.not_a_cast for outcome in outcomes(wrong))
    named = [bool(outcome.proposals[-1].doubts.not_a_cast) for line in OWN[:2] for outcome in outcomes(line)]
    assert np.mean(named) <= 0.05


@pytest.mark.parametrize("bench", [pearl(), matte()], ids=["pearl", "matte"])
def test_the_simulated_printer_prints_what_the_steps_own_tables_would(bench: Bench) -> None:
    """Settings and a hidden error of the own kind, once by the simulation's curves and once by four 16-bit tables."""
    random = np.random.default_rng(12)
    printer = own(bench, np.random.default_rng(12))
    cast = random.uniform(-20, 20, 3)
    tone = random.uniform(-6, 6)
    response = neutral_response(bench.icc, channels=3)
    hidden = (
        tone_table(response, lift_L=tone),
        balance_table(response, cyan=cast[0], magenta=cast[1], yellow=cast[2]),
    )
    patch = (tone_table(response, lift_L=-2.0), balance_table(response, cyan=5, magenta=-8, yellow=3))
    codes = (bench.device * 65535).round().astype(int)
    for table in (*patch, *hidden):
        codes = np.stack([table[codes[:, k], k] for k in range(3)], axis=1)
    by_profile = ciede2000(device_to_lab(bench.icc, codes / 65535), bench.wanted).mean()
    simulated = printer.distances([{"lift_L": -2.0, "cyan": 5.0, "magenta": -8.0, "yellow": 3.0}])[0]
    assert simulated == pytest.approx(by_profile, abs=0.1)  # the profile's own error against its model
