"""Characterisation data that others published, through our reader: how many patches, and known colours of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fetch import debian, debian_source

from drydown.measuring.cgats import tables
from drydown.measuring.measurement import BadMeasurement, Measurement, need_rgb
from drydown.measuring.reader import read_cgats
from drydown.measuring.spectral import xyz_from_spectra
from drydown.measuring.targ import readings_in

pytestmark = pytest.mark.reference

#: Debian icc-profiles-free: set -> patches, and CIELAB of bare paper as its file states it. FOGRA39L's is ISO 12647-2:2004's paper type 1,
#: over white.
SETS = {
    "FOGRA28L": (1485, (92.37, -0.70, 1.52), "white"),
    "FOGRA29L": (1485, (95.71, 0.61, -2.32), "white"),
    "FOGRA30L": (1485, (95.93, -0.77, 3.85), "white"),
    "FOGRA39L": (1617, (95.00, 0.00, -2.00), "white"),
    "FOGRA40L": (1617, (89.15, -0.02, 4.63), "white"),
    "TR002": (928, None, "black"),
    "TR003": (1617, (92.50, 0.00, 0.00), "white"),
    "TR005": (1617, (90.06, -0.01, 4.14), "white"),
    "TR006": (1617, (95.00, -0.02, -1.96), "white"),
}


def of(name: str) -> Measurement:
    return read_cgats(debian("icc-profiles-free") / f"usr/share/color/icc/{name}.ti3")


@pytest.mark.parametrize("name", SETS)
def test_each_cmyk_set_reads_with_its_patches_paper_and_backing(name: str) -> None:
    count, paper, backing = SETS[name]
    found = of(name)
    assert (len(found), found.space, found.given) == (count, "CMYK", "lab")
    assert found.condition.backing == backing and found.condition.mode == ""  # "g/m2" is no mode
    assert "CMYK values are taken as 0 to 100" in found.notes
    bare = found.lab[(found.device == 0).all(axis=1)]
    if paper:
        assert bare[0] == pytest.approx(paper)
    with pytest.raises(BadMeasurement, match="it holds CMYK device values"):
        need_rgb(found, "pearl")


def test_the_solids_of_fogra39_are_those_of_iso_12647_2() -> None:
    # ISO 12647-2:2004/Amd 1, paper types 1 and 2 over white backing, as the set's own rows carry them: M 48 74 -3, C 55 -37 -50
    found = of("FOGRA39L")
    magenta = found.lab[(found.device == [0, 1, 0, 0]).all(axis=1)]
    cyan = found.lab[(found.device == [1, 0, 0, 0]).all(axis=1)]
    assert magenta[0] == pytest.approx((48, 74, -3)) and cyan[0] == pytest.approx((55, -37, -50), abs=0.5)


@pytest.mark.parametrize("name", ["FOGRA39L", "TR006"])
def test_their_xyz_give_their_lab_under_our_d50(name: str) -> None:
    found = of(name)
    (table,), _ = tables(found.text, name)
    at = [table.fields.index(field) for field in ("XYZ_X", "XYZ_Y", "XYZ_Z")]
    stated = np.array([[float(row[column]) for column in at] for row in table.rows]) / 100
    # both are rounded: XYZ to 0.01, which is much near black
    assert np.abs(found.xyz - stated).max() < 0.0015


def targ() -> Measurement:
    (profile,) = Path(debian_source("vips")).glob("**/cmyk.icm")
    found = readings_in(profile.read_bytes())
    assert found is not None
    return found


def test_the_spectra_in_a_profiles_targ_are_read() -> None:
    found = targ()
    assert (len(found), found.space, found.given) == (2376, "CMYK", "spectra")
    assert found.spectra is not None and found.spectra.shape == (2376, 36)
    assert found.wavelengths_nm is not None and found.wavelengths_nm[[0, -1]].tolist() == [380, 730]
    assert found.spectra[0, :3] == pytest.approx([0.0395, 0.022, 0.0273])


def test_its_spectra_give_the_xyz_that_stand_beside_them() -> None:
    # measured patches: XYZ computed by the instrument's maker from the same readings, D50 and 2 degrees
    found = targ()
    (table,), _ = tables(found.text, "targ")
    at = [table.fields.index(field) for field in ("XYZ_X", "XYZ_Y", "XYZ_Z")]
    stated = np.array([[float(row[column]) for column in at] for row in table.rows[:2340]]) / 100
    assert found.spectra is not None and found.wavelengths_nm is not None
    ours = xyz_from_spectra(found.spectra[:2340], found.wavelengths_nm)
    away = np.abs(ours - stated)
    print(f"largest difference in XYZ (white = 1): {away.max(axis=0)}")
    assert away.max() < 0.001
