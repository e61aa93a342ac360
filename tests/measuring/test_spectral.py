"""From spectra to XYZ: what must hold for any weights. The comparison with a second source is a reference test."""

from __future__ import annotations

import numpy as np
import pytest

from drydown.measuring.spectral import lab_from_spectra, xyz_from_spectra


@pytest.mark.parametrize("step", [1, 5, 10, 20])
@pytest.mark.parametrize(("first", "last"), [(380, 740), (400, 700), (360, 780)])
def test_the_perfect_diffuser_is_d50s_white_whatever_the_bands(step: int, first: int, last: int) -> None:
    nm = np.arange(first, last + 1, step, dtype=float)
    white = xyz_from_spectra(np.ones((1, len(nm))), nm)[0]
    assert white == pytest.approx([0.9642, 1, 0.8251], abs=6e-4)  # CIE 15: 96.42, 100, 82.51
    assert lab_from_spectra(np.ones((1, len(nm))), nm)[0] == pytest.approx([100, 0, 0], abs=1e-9)


def test_a_smooth_spectrum_gives_the_same_lab_in_any_step() -> None:
    def paper(nm: np.ndarray) -> np.ndarray:
        return 0.85 - 0.5 * np.exp(-(((nm - 560) / 60) ** 2))

    fine = np.arange(380, 741, 1.0)
    wanted = lab_from_spectra(paper(fine)[np.newaxis], fine)[0]
    for step in (5, 10, 20):
        nm = np.arange(380, 741, float(step))
        assert lab_from_spectra(paper(nm)[np.newaxis], nm)[0] == pytest.approx(wanted, abs=0.05)


def test_other_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="steps of 7 nm"):
        xyz_from_spectra(np.ones((1, 50)), np.arange(380, 730, 7.0))
