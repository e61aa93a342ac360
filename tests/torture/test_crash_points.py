"""The short form of the row `crash-points`."""

import pytest

from tests.torture.__main__ import SEED
from tests.torture.crash_points import ROW


@pytest.mark.timeout(400)  # a quarter of a minute on two idle cores
def test_the_program_may_end_at_every_step_of_the_job_line_and_nothing_is_lost_or_twice() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
