"""The short form of the row `flood`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.flood import ROW

pytestmark = pytest.mark.minutes


@pytest.mark.timeout(180)
def test_thousands_of_files_that_nobody_told_of_are_taken_within_two_scans() -> None:
    if missing := ROW.missing():
        pytest.skip(f"needs {missing}")
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
