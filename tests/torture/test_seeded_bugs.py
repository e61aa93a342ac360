"""The short form of the row `seeded-bugs`; and that its checks have nothing to say of the program as it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.torture.__main__ import SEED
from tests.torture.bugs import Edit
from tests.torture.protocol import CHECKS
from tests.torture.seeded_bugs import ROW


@pytest.mark.skipif(bool(ROW.missing()), reason=ROW.missing())
def test_each_bug_is_caught_by_the_proof_that_is_there_for_it() -> None:
    outcome = ROW.short(SEED)
    assert outcome.ok, outcome.figures


@pytest.mark.parametrize("check", CHECKS)
def test_the_program_keeps_to_the_protocol(tmp_path: Path, check: Callable[[Path], None]) -> None:
    check(tmp_path)


def test_a_bug_whose_place_is_gone_says_so() -> None:
    from drydown.jobs import publish

    with pytest.raises(LookupError, match="mend the bug"):
        Edit(publish, "boot_id", {"no such words": ""}).apply()
