"""Spectra to colour against a second source of observer and illuminant, the D50 white, and lightness and density of known reflectances."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from fetch import debian

from drydown.imaging.pcs import lab_from_xyz
from drydown.measuring.cgats import tables
from drydown.measuring.spectral import lab_from_spectra, xyz_from_spectra

pytestmark = pytest.mark.reference


def curves(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths (W,) and values (rows, W) of a file whose fields are SPEC_360, SPEC_365 …"""
    (table,), faults = tables(path.read_bytes(), path.name)
    assert not faults
    named = [
        (float(name.removeprefix("SPEC_")), column)
        for column, name in enumerate(table.fields)
        if name.startswith("SPEC_")
    ]
    values = np.array([[float(row[column]) for _, column in named] for row in table.rows])
    return np.array([nm for nm, _ in named]), values


@pytest.fixture(scope="module")
def second_source() -> tuple[np.ndarray, np.ndarray]:
    """Weights (W, 3) in steps of 5 nm from Debian colord-data: CIE 1931 observer times D50, Y of white = 1."""
    home = debian("colord-data") / "usr/share/colord"
    nm, observer = curves(home / "cmf/CIE1931-2deg-XYZ.cmf")
    light_nm, light = curves(home / "illuminant/CIE-D50.sp")
    grid = np.arange(380.0, 781.0, 5.0)
    bars = np.stack([np.interp(grid, nm, row) for row in observer], axis=1)
    weights = bars * np.interp(grid, light_nm, light[0])[:, np.newaxis]
    return grid, weights / weights[:, 1].sum()


def test_the_second_source_has_d50s_white(second_source: tuple[np.ndarray, np.ndarray]) -> None:
    # CIE 15:2004, table T.3: 96.42, 100.00, 82.51
    assert second_source[1].sum(axis=0) == pytest.approx([0.9642, 1.0, 0.8251], abs=3e-4)


@pytest.mark.parametrize("step", [5, 10, 20])
def test_smooth_spectra_give_the_same_lab_by_both_sources(
    second_source: tuple[np.ndarray, np.ndarray], step: int
) -> None:
    grid, weights = second_source
    generator = np.random.default_rng(11)
    heights, centres, widths = (
        generator.uniform(-0.5, 0.5, 200),
        generator.uniform(380, 780, 200),
        generator.uniform(40, 120, 200),
    )

    def spectra(nm: np.ndarray) -> np.ndarray:
        bump = heights[:, np.newaxis] * np.exp(
            -(((nm - centres[:, np.newaxis]) / widths[:, np.newaxis]) ** 2)
        )
        return 0.5 + 0.8 * bump

    nm = np.arange(380.0, 781.0, float(step))
    ours = lab_from_spectra(spectra(nm), nm)
    theirs = lab_from_xyz(spectra(grid) @ weights, weights.sum(axis=0))
    away = np.linalg.norm(ours - theirs, axis=1)
    print(f"step {step} nm: mean {away.mean():.4f}, largest {away.max():.4f}")
    assert away.max() < {5: 0.03, 10: 0.05, 20: 0.15}[step]


@pytest.mark.parametrize(
    ("reflectance", "L_star"),
    # CIE 15:2004, 8.2.1: L* = 116 (Y/Yn)^(1/3) - 16, worked out by hand; below (6/29)^3 it is (29/3)^3 Y
    [(1.0, 100.0), (0.1842, 50.0), (0.18, 49.496), (0.0886, 35.71), (0.0113, 10.031), (0.001, 0.9033)],
)
def test_a_grey_of_known_reflectance_has_its_lightness(reflectance: float, L_star: float) -> None:
    nm = np.arange(380.0, 731.0, 10.0)
    L, a, b = lab_from_spectra(np.full((1, 36), reflectance), nm)[0]
    assert pytest.approx(L_star, abs=0.02) == L
    assert abs(a) < 1e-9 and abs(b) < 1e-9


@pytest.mark.parametrize(
    ("reflectance", "density"), [(1.0, 0.0), (0.5, 0.301), (0.1, 1.0), (0.01, 2.0), (0.005, 2.301)]
)
def test_a_grey_of_known_reflectance_has_its_density(reflectance: float, density: float) -> None:
    # ISO 5-1: the negative logarithm to base 10 of the reflectance factor; a flat spectrum has it under any of ISO 5-3's weightings
    nm = np.arange(380.0, 731.0, 10.0)
    assert -math.log10(xyz_from_spectra(np.full((1, 36), reflectance), nm)[0, 1]) == pytest.approx(
        density, abs=5e-4
    )
