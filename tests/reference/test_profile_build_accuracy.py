"""How true built profiles are, on printers that they were not made for. The whole table: `python -m tests.reference.profile_build_table`."""

from __future__ import annotations

import pytest
from tests.reference.printers_to_profile import foreign, house
from tests.reference.profile_build_table import judged

PRINTERS = {
    **house(),
    "threshold black": foreign("threshold black", 1),
    "spot inks": foreign("spot inks", 0),
}


@pytest.mark.parametrize("name", PRINTERS)
def test_288_patches_foretell_unseen_colours_better_than_a_cubic_rbf(name: str) -> None:
    line = judged(PRINTERS[name], 288)
    assert line.a2b[0] <= 0.8
    assert line.a2b[1] <= 1.9
    assert line.a2b[0] < line.rbf[0]
    assert line.a2b[1] < line.rbf[1]
    assert line.back[0] <= 0.9
    assert line.back[1] <= 2.0
