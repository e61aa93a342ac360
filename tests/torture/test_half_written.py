"""The short form of the row `half-written`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.half_written import ROW


@pytest.mark.timeout(180)
def test_only_finished_files_are_taken_however_they_are_written() -> None:
    if missing := ROW.missing():
        pytest.skip(f"needs {missing}")
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
