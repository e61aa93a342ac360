"""That the checks of the row `seeded-bugs` have nothing to say of the program as it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.torture.bugs import Edit
from tests.torture.protocol import CHECKS


@pytest.mark.parametrize("check", CHECKS)
def test_the_program_keeps_to_the_protocol(tmp_path: Path, check: Callable[[Path], None]) -> None:
    check(tmp_path)


def test_a_bug_whose_place_is_gone_says_so() -> None:
    from drydown.jobs import publish

    with pytest.raises(LookupError, match="mend the bug"):
        Edit(publish, "boot_id", {"no such words": ""}).apply()
