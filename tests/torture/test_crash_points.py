"""Schedules of the row `crash-points` that once went wrong."""

from pathlib import Path

from tests.torture.crash_points import ended_at
from tests.torture.line_kit import SCENARIOS, Line


def test_a_note_that_an_end_cut_off_goes_from_the_folder_of_a_job_that_is_then_held(tmp_path: Path) -> None:
    """Found among the pairs: ended at 46 and 36, the ledger lost; the job is rightly held, and its folder kept the half note."""
    scenario = next(one for one in SCENARIOS if one.loses_ledger)
    assert ended_at(Line(tmp_path), scenario, 46, 36) == (True, [])
