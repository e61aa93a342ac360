"""Profiles that others made: working spaces open, palettes and damage are refused.

colord-data, libgs-common, icc-profiles-free (Debian), lcms2's test bed (Debian source), Pillow's source archive.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fetch import debian, debian_source, pypi_source

from drydown.errors import Refusal
from drydown.imaging.icc import BadProfile, check_output, check_source, inspect

COLORD = "usr/share/color/icc/colord"
GHOST = "usr/share/color/icc/ghostscript"
FREE = "usr/share/color/icc"


def test_every_working_space_of_colord_opens_and_the_palettes_are_refused() -> None:
    found = sorted((debian("colord-data") / COLORD).glob("*.icc"))
    assert len(found) >= 25
    for path in found:
        icc = path.read_bytes()
        if path.name in ("x11-colors.icc", "Crayons.icc"):
            assert inspect(icc).device_class == "nmcl"
            with pytest.raises(Refusal, match="a named-colour profile"):
                check_source(icc, channels=3)
            with pytest.raises(Refusal, match="a named-colour profile"):
                check_output(icc)
        else:
            info = check_source(icc, channels=3)
            assert (info.colour_space, info.device_class) == ("RGB", "mntr")
            assert check_output(icc) == info


@pytest.mark.parametrize(
    ("name", "space", "channels"),
    [
        ("a98.icc", "RGB", 3),
        ("rommrgb.icc", "RGB", 3),
        ("srgb.icc", "RGB", 3),
        ("sgray.icc", "GRAY", 1),
        ("ps_gray.icc", "GRAY", 1),
        ("default_cmyk.icc", "CMYK", 4),
    ],
)
def test_version_2_working_spaces_and_a_press_open_for_their_own_channels_only(
    name: str, space: str, channels: int
) -> None:
    icc = (debian("libgs-common") / GHOST / name).read_bytes()
    assert check_source(icc, channels=channels).colour_space == space
    for other in {1, 3, 4} - {channels}:
        with pytest.raises(Refusal, match=f"it is a profile for {space}"):
            check_source(icc, channels=other)


def test_a_press_profile_is_no_stock_for_now() -> None:
    icc = (debian("libgs-common") / GHOST / "default_cmyk.icc").read_bytes()
    with pytest.raises(Refusal, match="CMYK press"):
        check_output(icc)


def test_abstract_and_lab_profiles_describe_no_picture() -> None:
    folder = debian("icc-profiles-free") / FREE
    with pytest.raises(Refusal, match="an abstract profile"):
        check_source((folder / "CineLogCurve.icc").read_bytes(), channels=3)
    with pytest.raises(Refusal, match="it is a profile for Lab"):
        check_source((folder / "ITULab.icc").read_bytes(), channels=3)


@pytest.mark.parametrize("name", ["bad.icc", "bad_mpe.icc", "toosmall.icc"])
def test_the_damaged_profiles_of_the_colour_engines_own_tests_are_refused(name: str) -> None:
    icc = (debian_source("lcms2") / "testbed" / name).read_bytes()
    with pytest.raises(BadProfile):
        inspect(icc)
    for check in (lambda: check_source(icc, channels=3), lambda: check_output(icc)):
        with pytest.raises(Refusal):
            check()


@pytest.mark.parametrize(
    "name", ["test1.icc", "test2.icc", "test3.icc", "test4.icc", "test5.icc", "TestCLT.icc"]
)
def test_the_sound_profiles_of_the_colour_engines_own_tests_open(name: str) -> None:
    icc = (debian_source("lcms2") / "testbed" / name).read_bytes()
    info = inspect(icc)
    assert check_source(icc, channels=info.channels) == info


def test_a_version_4_profile_made_of_tables_opens() -> None:
    icc = (pypi_source("pillow") / "Tests/icc/sRGB_v4_ICC_preference.icc").read_bytes()
    info = check_source(icc, channels=3)
    assert (info.version, info.pcs, info.device_class) == ("4.2", "Lab", "spac")
    assert check_output(icc) == info


def test_no_cut_of_a_press_profile_passes(tmp_path: Path) -> None:
    icc = (debian("libgs-common") / GHOST / "default_cmyk.icc").read_bytes()
    for length in range(0, len(icc), 4099):
        with pytest.raises(Refusal):
            check_source(icc[:length], channels=4)
