"""JPEG: orientation, profile in parts, what EXIF says of colour, and files that are not whole."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from read_makers import exif_block, expanded, jpeg_bytes, opened, said, scene

from drydown.errors import Hold, Refusal
from drydown.imaging import working


def segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def in_parts(data: bytes, icc: bytes, sizes: int, *, stated: int | None = None, leave_out: int = 0) -> bytes:
    """The JPEG with a profile in parts of `sizes` bytes behind its start mark (ICC.1:2022, B.4)."""
    parts = [icc[at : at + sizes] for at in range(0, len(icc), sizes)]
    count = stated or len(parts)
    inserted = b"".join(
        segment(0xE2, b"ICC_PROFILE\0" + bytes([number, count]) + part)
        for number, part in enumerate(parts, 1)
        if number != leave_out
    )
    return data[:2] + inserted + data[2:]


def decoded(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)))


@pytest.mark.parametrize("bands", [1, 3])
def test_every_code_is_expanded_exactly(tmp_path: Path, bands: int) -> None:
    codes = scene(bands=bands)
    data = jpeg_bytes(codes[:, :, 0] if bands == 1 else codes)
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    picture, seen = opened(path)
    assert np.abs(seen - expanded(decoded(data))).max() <= 2 * 257  # decoders may differ by a code or two
    assert (seen % 257 == 0).all()
    assert picture.icc == (working.grey_srgb() if bands == 1 else working.srgb())


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_orientations_are_applied(tmp_path: Path, orientation: int, order: str) -> None:
    """The stored picture is made by the definition of EXIF 2.32, 4.6.4 A: where its row 0 and column 0 lie when seen."""
    codes = scene()
    transposed = codes.transpose(1, 0, 2)
    stored = {
        1: codes,
        2: codes[:, ::-1],  # top, right
        3: codes[::-1, ::-1],  # bottom, right
        4: codes[::-1],  # bottom, left
        5: transposed,  # left, top
        6: transposed[::-1],  # right, top
        7: transposed[::-1, ::-1],  # right, bottom
        8: transposed[:, ::-1],  # left, bottom
    }[orientation]
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(stored.copy(), exif=exif_block(orientation, order=order)))
    picture, seen = opened(path)
    assert seen.shape == codes.shape
    assert np.abs(seen - expanded(codes)).max() < 6 * 257
    assert picture.facts["orientation"] == orientation


def test_an_orientation_that_does_not_exist_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(), exif=exif_block(9)))
    picture, seen = opened(path)
    assert seen.shape == (48, 64, 3)
    assert "Orientation 9" in said(picture)


@pytest.mark.parametrize(
    "damage",
    [b"garbage that is no TIFF", exif_block(6)[:9], b"II*\0\xff\xff\xff\xff", b"MM\0*\0\0\0\x08\xff\xff"],
)
def test_a_damaged_exif_block_is_noted_and_the_picture_lies_as_stored(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "a.jpg"
    data = jpeg_bytes(scene())
    path.write_bytes(data[:2] + segment(0xE1, b"Exif\0\0" + damage) + data[2:])
    picture, seen = opened(path)
    assert seen.shape == (48, 64, 3)
    assert "EXIF block is damaged" in said(picture)


def test_a_damaged_hint_in_exif_does_not_cost_the_orientation(tmp_path: Path) -> None:
    block = exif_block(6, colour_space=1)
    block = block[:30] + struct.pack("<I", 0x7FFFFFFF) + block[34:]  # where the EXIF directory should lie
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(), exif=block))
    picture, seen = opened(path)
    assert seen.shape == (64, 48, 3)
    assert picture.facts["orientation"] == 6


@pytest.mark.parametrize("sizes", [65_000, 1000, 40])
def test_a_profile_in_parts_is_joined(tmp_path: Path, sizes: int) -> None:
    icc = working.wide_gamut()
    path = tmp_path / "a.jpg"
    path.write_bytes(in_parts(jpeg_bytes(scene()), icc, sizes))
    assert opened(path)[0].icc == icc


def test_a_profile_with_a_part_missing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(in_parts(jpeg_bytes(scene()), working.srgb(), 3000, leave_out=2))
    with pytest.raises(Refusal, match=r"in 3 parts, of which 2 are there"):
        opened(path)


def test_a_profile_for_other_channels_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(bands=1)[:, :, 0], icc=working.srgb()))
    with pytest.raises(Refusal, match="it is a profile for RGB, and the picture is grey"):
        opened(path)


def test_a_camera_that_means_oprgb_says_so_in_exif(tmp_path: Path) -> None:
    """Uncalibrated with interoperability index R03: a DCF option file (DCF 2.0, 5.6); cameras embed no profile then."""
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(), exif=exif_block(1, colour_space=65535, interop="R03")))
    picture, _ = opened(path)
    assert picture.icc == working.oprgb()
    assert "opRGB" in said(picture)
    with pytest.raises(Hold, match="opRGB"):
        opened(path, untagged="hold")


def test_exif_that_says_srgb_is_only_a_hint(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(), exif=exif_block(1, colour_space=1, interop="R98")))
    picture, _ = opened(path)
    assert picture.icc == working.srgb()
    assert picture.facts["profile_from"] == "untagged"
    assert "EXIF block says sRGB" in said(picture)


def test_ink_without_a_profile_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(bands=4)))
    with pytest.raises(Refusal, match="CMYK without a colour profile"):
        opened(path)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_scan_that_is_cut_anywhere_is_refused_before_decoding(tmp_path: Path, progressive: bool) -> None:
    data = jpeg_bytes(scene(), progressive=progressive)
    path = tmp_path / "a.jpg"
    for length in range(4, len(data) - 1):
        path.write_bytes(data[:length])
        with pytest.raises(Refusal):
            opened(path)


def test_what_follows_the_end_mark_does_no_harm(tmp_path: Path) -> None:
    codes = scene()
    data = jpeg_bytes(codes)
    path = tmp_path / "a.jpg"
    path.write_bytes(data + jpeg_bytes(scene(8, 8)))  # phones append another picture
    assert opened(path)[1].shape == (48, 64, 3)


def test_a_hole_in_the_scan_is_refused_although_the_end_mark_is_there(tmp_path: Path) -> None:
    data = jpeg_bytes(np.random.default_rng(1).integers(0, 256, (600, 600, 3), dtype=np.uint8))
    path = tmp_path / "a.jpg"
    path.write_bytes(data[:100_000] + bytes(70_000) + data[170_000:])
    with pytest.raises(Refusal, match="zero bytes in its picture data at byte 100,00"):
        opened(path)


def test_a_kind_that_no_photograph_uses_is_refused(tmp_path: Path) -> None:
    data = jpeg_bytes(scene())
    frame = data.index(b"\xff\xc0")
    path = tmp_path / "a.jpg"
    path.write_bytes(data[: frame + 1] + b"\xc3" + data[frame + 2 :])  # lossless
    with pytest.raises(Refusal, match="frame type 3"):
        opened(path)
    path.write_bytes(data[: frame + 4] + b"\x0c" + data[frame + 5 :])  # 12 bits
    with pytest.raises(Refusal, match="12 bits"):
        opened(path)


def test_the_limit_of_pixels_counts_before_decoding(tmp_path: Path) -> None:
    data = jpeg_bytes(scene())
    frame = data.index(b"\xff\xc0")
    path = tmp_path / "a.jpg"
    path.write_bytes(data[: frame + 5] + struct.pack(">HH", 60000, 60000) + data[frame + 9 :])
    with pytest.raises(Refusal, match="3600 megapixels, and 400 is the limit"):
        opened(path)
