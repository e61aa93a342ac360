"""The short form of the row `kills`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.kills import ROW

pytestmark = pytest.mark.minutes


@pytest.mark.skipif(bool(ROW.missing()), reason=ROW.missing())
@pytest.mark.timeout(400)  # 100 starts of the program, each half a second of imports
def test_a_daemon_killed_a_hundred_times_loses_nothing_prints_nothing_twice_and_leaves_no_orphan() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
