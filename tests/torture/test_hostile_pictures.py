"""The short form of the row `hostile-pictures`."""

from __future__ import annotations

import pytest

from tests.torture.__main__ import SEED
from tests.torture.hostile_pictures import ROW

pytestmark = pytest.mark.minutes


@pytest.mark.timeout(400)  # half a minute on two idle cores
def test_a_hostile_picture_ends_in_a_sheet_or_a_sentence_and_touches_nothing_else() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
