"""The built-in steps and sheet makers pass the contract that everybody's do, with less memory.

Its picture of 100 megapixels is the row `large-pictures` of tests/torture.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from step_cases import SHEET_MAKERS, STEPS

from drydown.testing import Case, contract
from drydown.testing.large import peak_mb

MEGAPIXELS = 12  # 72 MB, were it held whole
MOST_MB = 36


class TestContract(contract(*STEPS, *SHEET_MAKERS)):  # type: ignore[misc]
    @pytest.mark.parametrize("case", STEPS, ids=str)
    def test_step_it_bears_a_very_large_picture(
        self, case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With less than half of the picture in memory: the contract's own limit is for 100 megapixels."""
        # the process that is measured holds some of it for each thread
        monkeypatch.setenv("VIPS_CONCURRENCY", "2")
        assert peak_mb(replace(case, megapixels=MEGAPIXELS), tmp_path) <= MOST_MB
