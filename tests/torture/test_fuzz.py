"""The short form of the row `fuzz`."""

from __future__ import annotations

from tests.torture.__main__ import SEED
from tests.torture.fuzz import ROW


def test_no_parser_of_ours_raises_what_it_does_not_document() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures
