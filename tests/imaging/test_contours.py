"""Lines of equal loss: how the field is smoothed before they are drawn."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from drydown.imaging.contours import _smoothed


@pytest.mark.parametrize("shape", [(1, 1), (3, 200), (97, 61)])
@pytest.mark.parametrize("sigma", [0.4, 1.0, 6.7])
def test_the_field_is_smoothed_as_scipy_does_it(shape: tuple[int, int], sigma: float) -> None:
    field = np.random.default_rng(5).gamma(2, 2, shape)
    np.testing.assert_allclose(
        _smoothed(field, sigma), gaussian_filter(field, sigma, mode="nearest"), rtol=1e-12
    )
