"""Our monotone curve against SciPy's, over many random sets of knots."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from drydown.imaging.monotone import MonotoneCurve


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("rising", [True, False])
def test_value_and_slope_equal_scipys(seed: int, rising: bool) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 40))
    x = np.cumsum(rng.uniform(0.01, 1, count))
    y = np.cumsum(rng.uniform(0, 1, count)) if rising else rng.normal(0, 1, count)
    at = np.concatenate([x, rng.uniform(x[0], x[-1], 500)])
    ours, theirs = MonotoneCurve(x, y), PchipInterpolator(x, y)
    assert np.allclose(ours(at), theirs(at), atol=1e-12)
    assert np.allclose(ours.slope(at), theirs.derivative()(at), atol=1e-9)
    if rising:
        assert (np.diff(ours(np.linspace(x[0], x[-1], 2000))) >= -1e-12).all()
