"""The short form of the row `power-cut`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.power_cut import ROW

pytestmark = pytest.mark.minutes


@pytest.mark.timeout(180)
def test_a_power_cut_loses_nothing_that_was_handed_in_and_doubles_nothing() -> None:
    if missing := ROW.missing():
        pytest.skip(f"needs {missing}")
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
