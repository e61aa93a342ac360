"""TIFF: Lab, profiles, inks and floating-point numbers."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from read_makers import exif_block, noise, opened, said, tagged, written

from drydown.errors import Hold, Refusal
from drydown.imaging import working
from drydown.imaging.icc_exact import device_to_lab

LAB = np.array(
    [[0, 0, 0], [100, 0, 0], [50, 0, 0], [50, 20, -30], [30, -40, 25], [70, -20, 60], [45, 60, 40]], float
)


def lab_codes(coding: str, bits: int) -> np.ndarray[Any, Any]:
    """Codes by the definitions: TIFF 6.0, section 23, and the technical notes of 2002 for 16 bits and ICCLab."""
    lightness, opponents = LAB[:, :1], LAB[:, 1:]
    if coding == "cielab":
        scaled = [lightness * (2**bits - 1) / 100, opponents * 2 ** (bits - 8) % 2**bits]
    else:
        scaled = [lightness * (255 if bits == 8 else 65280) / 100, (opponents + 128) * 2 ** (bits - 8)]
    return np.rint(np.concatenate(scaled, axis=1)).astype(np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("coding", ["cielab", "icclab"])
def test_lab_keeps_its_colours(tmp_path: Path, coding: str, bits: int, planar: str) -> None:
    codes = np.tile(lab_codes(coding, bits), (3, 1, 1))
    if planar == "separate":
        codes = np.moveaxis(codes, 2, 0).copy()
    picture, seen = opened(written(tmp_path / "a.tif", codes, photometric=coding, planarconfig=planar))
    assert picture.icc == working.wide_gamut()
    assert "CIELAB" in said(picture)
    assert picture.facts["profile_from"] == "converted"
    reached = device_to_lab(picture.icc, seen[1] / 65535)
    # 8 bits hold L* to 0.2 and a*, b* to 0.5; 16 bits to a hundredth
    assert np.abs(reached - LAB).max() < (0.25 if bits == 8 else 0.02)


def test_lab_keeps_its_transparency(tmp_path: Path) -> None:
    codes = np.tile(
        np.concatenate([lab_codes("cielab", 16), np.full((7, 1), 777, np.uint16)], axis=1), (3, 1, 1)
    )
    path = written(
        tmp_path / "a.tif", codes, photometric="cielab", planarconfig="contig", extrasamples=["unassalpha"]
    )
    picture, seen = opened(path)
    assert (seen[:, :, 3] == 777).all()
    assert np.abs(device_to_lab(working.wide_gamut(), seen[1, :, :3] / 65535) - LAB).max() < 0.02
    assert picture.facts["colour"] == "CIELab"


def test_the_embedded_profile_is_handed_over_byte_for_byte(tmp_path: Path) -> None:
    icc = working.wide_gamut()
    picture, _ = opened(written(tmp_path / "a.tif", noise(), photometric="rgb", **tagged(icc)))
    assert picture.icc == icc
    assert picture.notes == ()
    assert picture.facts["profile_from"] == "embedded"


@pytest.mark.parametrize(
    ("icc", "words"),
    [
        (working.srgb()[:-40], "cut off"),
        (working.grey_srgb(), "it is a profile for GRAY"),
        (b"no profile at all" * 20, "'acsp' is missing"),
    ],
)
def test_a_profile_that_does_not_hold_is_refused_and_never_guessed(
    tmp_path: Path, icc: bytes, words: str
) -> None:
    path = written(tmp_path / "a.tif", noise(), photometric="rgb", **tagged(icc))
    with pytest.raises(Refusal, match=words):
        opened(path)


def test_untagged_is_srgb_with_a_warning_or_held(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", noise(), photometric="rgb")
    picture, _ = opened(path)
    assert picture.icc == working.srgb()
    assert picture.facts["profile_from"] == "untagged"
    assert [note.level for note in picture.notes] == ["warning"]
    with pytest.raises(Hold, match="holds untagged pictures"):
        opened(path, untagged="hold")


def test_untagged_ink_is_refused_whatever_the_recipe_says(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", noise(bands=4), photometric="separated")
    with pytest.raises(Refusal, match="CMYK without a colour profile"):
        opened(path)


def test_named_inks_are_refused(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.tif", noise(bands=4), photometric="separated", extratags=[(332, 3, 1, 2, True)]
    )
    with pytest.raises(Refusal, match="inks other than CMYK"):
        opened(path)


def test_floating_point_is_taken_between_0_and_1_of_a_profile(tmp_path: Path) -> None:
    codes = noise()
    plain = (codes / 65535).astype(np.float32)
    path = written(tmp_path / "a.tif", plain, photometric="rgb", **tagged(working.srgb()))
    np.testing.assert_array_equal(opened(path)[1], codes)
    tiles = written(
        tmp_path / "b.tif",
        np.moveaxis(plain, 2, 0).copy(),
        photometric="rgb",
        planarconfig="separate",
        tile=(16, 16),
        **tagged(working.srgb()),
    )
    np.testing.assert_array_equal(opened(tiles)[1], codes)


@pytest.mark.parametrize("value", [1.5, -0.2, np.nan, np.inf])
def test_floating_point_beyond_paper_is_refused(tmp_path: Path, value: float) -> None:
    plain = (noise() / 65535).astype(np.float32)
    plain[20, 30, 1] = value
    path = written(tmp_path / "a.tif", plain, photometric="rgb", **tagged(working.srgb()))
    with pytest.raises(Refusal, match="floating-point numbers"):
        opened(path)


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (noise().astype(np.float32), "without a colour profile"),
        ((noise() / 65535).astype(np.float16), "of 16 bits"),
        (noise().astype(np.int16), "signed 16 bits"),
        (noise().astype(np.uint32), "32 bits"),
    ],
)
def test_numbers_of_another_kind_are_refused(tmp_path: Path, array: Any, words: str) -> None:
    with pytest.raises(Refusal, match=words):
        opened(written(tmp_path / "a.tif", array, photometric="rgb"))


def test_exif_says_which_space_the_camera_meant(tmp_path: Path) -> None:
    block = exif_block(1, colour_space=65535, interop="R03")
    # an EXIF block is a TIFF file without a picture: its directories read the same
    assert block[:4] == b"II*\0"
    plain = written(tmp_path / "a.tif", noise(), photometric="rgb")
    data = bytearray(plain.read_bytes())
    # put the block's EXIF directory behind the picture and a pointer to it over the software tag
    place = len(data) + len(data) % 2
    inner = block[8 + 2 + 24 + 4 :]
    moved = bytearray(inner)
    struct.pack_into("<I", moved, 2 + 12 + 8, place + 2 + 24 + 4)
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    for at in range(first + 2, first + 2 + 12 * count, 12):
        if struct.unpack_from("<H", data, at)[0] == 305:
            struct.pack_into("<HHII", data, at, 34665, 4, 1, place)
    plain.write_bytes(bytes(data).ljust(place, b"\0") + bytes(moved))
    picture, _ = opened(plain)
    assert picture.icc == working.oprgb()
    assert "opRGB" in said(picture)
