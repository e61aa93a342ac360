"""From reflectance spectra to XYZ under D50 for the 2 degree observer, by the weights of ASTM E308 as colour-science computes them."""

from __future__ import annotations

import warnings
from functools import lru_cache
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats, lab_from_xyz

#: Spectra must cover this; what lies beyond their ends is taken to be as at the end (ASTM E308, 7.3.2.2).
LEAST_NM: Final = (400.0, 700.0)
STEPS_NM: Final = (1.0, 5.0, 10.0, 20.0)
_FULL_NM: Final = (360, 780)


def xyz_from_spectra(spectra: Floats, wavelengths_nm: Floats) -> Floats:
    """XYZ (N, 3), Y of the perfect diffuser = 1, of reflectance factors (N, W); CIE D50, CIE 1931 observer.

    `wavelengths_nm`: rising, in even steps of 1, 5, 10 or 20. 10 and 20 use ASTM E308's weights (which undo the width of
    the bands' spacing), 1 and 5 plain sums (CIE 15:2004, 7.1). Raises ValueError for other steps.
    """
    step = float(wavelengths_nm[1] - wavelengths_nm[0])
    return np.asarray(spectra @ _weights(float(wavelengths_nm[0]), float(wavelengths_nm[-1]), step))


def lab_from_spectra(spectra: Floats, wavelengths_nm: Floats) -> Floats:
    """CIELAB (N, 3) of reflectance factors (N, W), against the perfect diffuser under the same weights."""
    ones = np.ones((1, len(wavelengths_nm)))
    return lab_from_xyz(xyz_from_spectra(spectra, wavelengths_nm), xyz_from_spectra(ones, wavelengths_nm)[0])


@lru_cache(maxsize=8)
def _weights(first: float, last: float, step: float) -> Floats:
    """(W, 3) weights that sum to the white's XYZ, ends gathered into the first and last band."""
    if step not in STEPS_NM:
        raise ValueError(f"steps of {step:g} nm; 1, 5, 10 or 20 can be summed")
    with warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", message=".*[Mm]atplotlib.*"
        )  # colour-science says that it found none
        from colour import MSDS_CMFS, SDS_ILLUMINANTS, SpectralShape
        from colour.colorimetry import tristimulus_weighting_factors_ASTME2022

    # the grid of the readings, carried on to where observer and illuminant end
    grid = np.arange(
        first - step * ((first - _FULL_NM[0]) // step), last + step * ((_FULL_NM[1] - last) // step) + 1, step
    )
    fine = SpectralShape(grid[0], grid[-1], 1)
    observer = MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(fine)
    light = SDS_ILLUMINANTS["D50"].copy().align(fine)
    if step >= 10:
        shape = SpectralShape(grid[0], grid[-1], step)
        factors = tristimulus_weighting_factors_ASTME2022(observer, light, shape) / 100
    else:
        every = slice(None, None, int(step))
        factors = observer.values[every] * light.values[every, np.newaxis]
        factors = factors / factors[:, 1].sum()
    inside = np.clip(np.round((grid - first) / step).astype(int), 0, round((last - first) / step))
    gathered = np.zeros((round((last - first) / step) + 1, 3))
    np.add.at(gathered, inside, factors)
    return gathered
