"""The short form of the row `bad-plugins`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.bad_plugins import ROW

pytestmark = pytest.mark.minutes


@pytest.mark.timeout(400)  # half a minute on two idle cores
def test_every_bad_plugin_ends_as_documented_and_the_next_sheet_is_golden() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
