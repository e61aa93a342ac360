"""The short form of the row `full-disk`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.full_disk import ROW


@pytest.mark.timeout(180)
def test_a_full_disk_loses_nothing_and_pictures_go_on_by_themselves() -> None:
    if missing := ROW.missing():
        pytest.skip(f"needs {missing}")
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
