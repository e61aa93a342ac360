"""The colour difference that every figure here is counted in, against the numbers that its authors published."""

from __future__ import annotations

import numpy as np
import pytest
from fetch import pypi_source

pytestmark = pytest.mark.reference


def test_ciede2000_gives_sharma_wu_and_dalals_34_pairs() -> None:
    # G. Sharma, W. Wu, E. N. Dalal, Color Research and Application 30 (2005), table 1; as the scikit-image archive carries it
    from colour.difference import delta_E_CIE2000

    file = pypi_source("scikit-image") / "tests/skimage/color/ciede2000_test_data.txt"
    rows = np.loadtxt(file)
    # pair, 1, L*, a*, b*, ten values between, difference; then 2, L*, a*, b*, three values between
    first, published, second = rows[:, 2:5], rows[:, 15], rows[:, 17:20]
    assert len(rows) == 34 and published[0] == 2.0425
    assert np.abs(delta_E_CIE2000(first, second) - published).max() <= 5e-5
    assert np.abs(delta_E_CIE2000(second, first) - published).max() <= 5e-5
