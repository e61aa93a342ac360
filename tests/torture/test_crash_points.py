"""The short form of the row `crash-points`."""

from pathlib import Path

import pytest

from tests.torture.__main__ import SEED
from tests.torture.crash_points import ROW, ended_at
from tests.torture.line_kit import SCENARIOS, Line


@pytest.mark.timeout(400)  # a quarter of a minute on two idle cores
def test_the_program_may_end_at_every_step_of_the_job_line_and_nothing_is_lost_or_twice() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures


def test_a_note_that_an_end_cut_off_goes_from_the_folder_of_a_job_that_is_then_held(tmp_path: Path) -> None:
    """Found among the pairs: ended at 46 and 36, the ledger lost; the job is rightly held, and its folder kept the half note."""
    scenario = next(one for one in SCENARIOS if one.loses_ledger)
    assert ended_at(Line(tmp_path), scenario, 46, 36) == (True, [])
