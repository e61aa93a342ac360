"""TIFF files that others wrote: the source archives of imagecodecs, Pillow and python-xmp-toolkit."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile
from fetch import debian, pypi_source
from reading import as_srgb, opened, refused

from drydown.errors import Refusal
from drydown.imaging import working
from drydown.imaging.icc_exact import device_to_lab


def pillow(name: str) -> Path:
    return pypi_source("pillow") / "Tests/images" / name


def one_page(path: Path, to: Path) -> Path:
    """A copy whose chain ends after its first directory."""
    data = bytearray(path.read_bytes())
    order = {b"II": "<", b"MM": ">"}[bytes(data[:2])]
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    place = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    count = struct.unpack_from(order + ("Q" if big else "H"), data, place)[0]
    struct.pack_into(
        order + ("Q" if big else "I"), data, place + (8 + 20 * count if big else 2 + 12 * count), 0
    )
    to.write_bytes(data)
    return to


def tifffile_codes(path: Path) -> np.ndarray:
    """The first page as tifffile reads it, (height, width, channels), 0..65535."""
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        codes, apart = np.asarray(page.asarray()), page.planarconfig == 2
    codes = (
        codes.astype(np.int64)
        * {bool: 65535, np.uint8: 257, np.uint16: 1}[codes.dtype.type if codes.dtype != bool else bool]
    )
    if codes.ndim == 2:
        return codes[:, :, np.newaxis]
    return np.moveaxis(codes, 0, 2) if apart else codes


#: Kinds of imagecodecs' set that are refused, by a part of the file name.
NOT_READ = {
    ".c8.": "channel",
    ".c16.": "channel",
    ".f2.": "floating-point",
    ".f4.": "without a colour profile",
    ".f8.": "floating-point",
    ".i1.": "signed 8 bits",
    ".i2.": "signed 16 bits",
    ".i4.": "signed 32 bits",
    ".i8.": "signed 64 bits",
    ".u4.": "32 bits",
    ".u8.": "64 bits",
    ".depth.": "slices",
    ".lerc.": "compressed",
    ".lzma.": "compressed",
    ".zstd.": "compressed",
    ".jpeg2000.": "compressed",
    ".jpegxl.": "compressed",
    ".jpegxr.": "compressed",
    ".png.": "compressed",
    ".jpeg.u2.": "",
}


def test_the_codec_librarys_files_give_its_own_pixels_or_a_reason(tmp_path: Path) -> None:
    """tifffile with imagecodecs reads them all; what libvips reads must be the same, code for code."""
    read = 0
    for path in sorted((pypi_source("imagecodecs") / "tests/data/tiff").glob("*.tif")):
        copy = one_page(path, tmp_path / path.name)
        reason = next((words for part, words in NOT_READ.items() if part in path.name), None)
        if reason is not None:
            assert reason in refused(copy, tmp_path), path.name
            continue
        wanted = tifffile_codes(copy)
        _, seen = opened(copy, tmp_path)
        lossy = ".jpeg." in path.name or ".webp." in path.name
        colours = seen.shape[2]
        assert np.abs(seen - wanted[:, :, :colours]).max() <= (2 * 257 if lossy else 0), path.name
        read += 1
    assert read >= 20


def test_several_pages_are_refused(tmp_path: Path) -> None:
    assert "has 3 pages" in refused(pillow("multipage.tiff"), tmp_path)
    assert "form a loop" in refused(pillow("multipage_single_frame_loop.tiff"), tmp_path)


@pytest.mark.parametrize("kind", ["strip_raw", "strip_planar_raw", "strip_planar_lzw", "tiled_raw", "tiled_planar_raw", "tiled_planar_lzw", "strip_planar_raw_with_overviews"])  # fmt: skip
def test_one_photograph_in_seven_structures_is_one_picture(kind: str, tmp_path: Path) -> None:
    """Pillow's tiff_*: strips and tiles, chunky and planar, raw and LZW, one with reduced copies behind."""
    upright = opened(pillow("tiff_adobe_deflate.tif"), tmp_path)[1]
    ending = "tiff" if "lzw" in kind else "tif"
    np.testing.assert_array_equal(opened(pillow(f"tiff_{kind}.{ending}"), tmp_path)[1], upright)


@pytest.mark.parametrize("layout", ["", "strip_planar_", "tiled_planar_"])
@pytest.mark.parametrize("colours", ["RGB", "RGBa"])
def test_sixteen_bits_stay_sixteen_bits(colours: str, layout: str, tmp_path: Path) -> None:
    _, seen = opened(pillow(f"tiff_{layout}16bit_{colours}.tiff"), tmp_path)
    wanted = opened(pillow(f"tiff_16bit_{colours}.tiff"), tmp_path)[1]
    np.testing.assert_array_equal(seen, wanted)
    assert (seen % 257 != 0).mean() > 0.3  # codes that 8 bits cannot hold
    if colours == "RGBa":  # premultiplied in the file
        raw = tifffile.imread(pillow("tiff_16bit_RGBa.tiff")).astype(float)
        clear = raw[:, :, 3] > 0
        divided = np.clip(raw[clear, :3] * 65535 / raw[clear, 3:], 0, 65535)
        assert np.abs(seen[clear, :3] - divided).max() <= 0.51


def test_the_flattened_picture_of_a_layered_tiff_is_read(tmp_path: Path) -> None:
    path = pypi_source("python-xmp-toolkit") / "test/samples/BlueSquare.tif"
    picture, seen = opened(path, tmp_path)
    assert picture.facts["layered"] is True
    assert any("layers" in note.text for note in picture.notes)
    np.testing.assert_array_equal(seen, tifffile.imread(path).astype(np.int64) * 257)
    assert "sRGB" in picture.facts["profile"]


@pytest.mark.parametrize(("name", "sign"), [("lab-red.tif", 1), ("lab-green.tif", -1), ("lab.tif", 0)])
def test_lab_patches_have_their_own_colours(name: str, sign: int, tmp_path: Path) -> None:
    """Pillow's CIELab patches of 8 bits: one grey, one reddish, one greenish by their names."""
    picture, seen = opened(pillow(name), tmp_path)
    lab = device_to_lab(working.wide_gamut(), seen[5, 5][np.newaxis] / 65535)[0]
    raw = tifffile.imread(pillow(name))[5, 5]
    signed = raw.astype(np.uint8).view(np.int8) if raw.dtype == np.uint8 else raw
    np.testing.assert_allclose(lab, [int(raw[0]) / 2.55, int(signed[1]), int(signed[2])], atol=0.3)
    assert int(np.sign(np.rint(lab[1]))) == sign
    assert picture.icc == working.wide_gamut()


def test_a_lab_photograph_looks_like_its_rgb_original(tmp_path: Path) -> None:
    seen = as_srgb(pillow("hopper.Lab.tif"), tmp_path)
    original = as_srgb(pillow("hopper.tif"), tmp_path)
    assert np.abs(seen - original).mean() < 6


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("alpha", [False, True])
def test_ink_with_a_profile_is_kept_as_ink(bits: int, planar: str, alpha: bool, tmp_path: Path) -> None:
    icc = (debian("libgs-common") / "usr/share/color/icc/ghostscript/default_cmyk.icc").read_bytes()
    codes = np.random.default_rng(1).integers(0, 2**bits, (40, 30, 4 + alpha)).astype(f"u{bits // 8}")
    path = tmp_path / "a.tif"
    tifffile.imwrite(
        path,
        codes if planar == "contig" else np.moveaxis(codes, 2, 0).copy(),
        photometric="separated",
        planarconfig=planar,
        extrasamples=["unassalpha"] if alpha else None,
        extratags=[(34675, 7, len(icc), icc, True)],
    )
    picture, seen = opened(path, tmp_path)
    np.testing.assert_array_equal(seen, codes.astype(np.int64) * (257 if bits == 8 else 1))
    assert picture.icc == icc
    assert picture.pixels.interpretation == "cmyk"


def test_jpeg_ink_that_is_stored_inverted_comes_as_ink(tmp_path: Path) -> None:
    """Full cyan is dark blue-green and no ink is white, whichever way round a JPEG stores them."""
    from PIL import Image

    icc = (debian("libgs-common") / "usr/share/color/icc/ghostscript/default_cmyk.icc").read_bytes()
    codes = np.zeros((32, 64, 4), np.uint8)
    codes[:, 32:, 0] = 255
    path = tmp_path / "a.jpg"
    Image.fromarray(codes, "CMYK").save(path, quality=100, icc_profile=icc)
    _, seen = opened(path, tmp_path)
    assert np.abs(seen[4:28, 4:28]).max() < 3 * 257
    assert seen[16, 48, 0] > 65535 - 3 * 257
    light = as_srgb(path, tmp_path)
    assert light[16, 8].min() > 240
    assert light[16, 48, 0] < 100 < light[16, 48, 2]


def test_a_psd_of_inks_comes_as_ink(tmp_path: Path) -> None:
    icc = (debian("libgs-common") / "usr/share/color/icc/ghostscript/default_cmyk.icc").read_bytes()
    inks = np.random.default_rng(1).integers(0, 65536, (4, 20, 30)).astype(np.uint16)
    resources = b"8BIM" + struct.pack(">HHI", 1039, 0, len(icc)) + icc + bytes(len(icc) % 2)
    header = b"8BPS" + struct.pack(">H6xHIIHH", 1, 4, 20, 30, 16, 4)
    light = (65535 - inks).astype(">u2")  # PSD stores light where there is no ink
    path = tmp_path / "a.psd"
    path.write_bytes(
        header
        + struct.pack(">II", 0, len(resources))
        + resources
        + struct.pack(">IH", 0, 0)
        + light.tobytes()
    )
    picture, seen = opened(path, tmp_path)
    np.testing.assert_array_equal(seen, np.moveaxis(inks, 0, 2))
    assert picture.icc == icc


def test_no_picture_of_two_libraries_tests_crashes_the_reader(tmp_path: Path) -> None:
    """Some 600 files, many made to break readers: each opens, or is refused with a sentence, or fails in libvips while decoding."""
    import pyvips

    folders = (pypi_source("pillow") / "Tests/images", pypi_source("imagecodecs") / "tests/data")
    counts = {"read": 0, "refused": 0, "failed": 0}
    for path in sorted(one for folder in folders for one in folder.rglob("*") if one.is_file()):
        try:
            opened(path, tmp_path)
            counts["read"] += 1
        except Refusal as refusal:
            assert refusal.sentence.isprintable()
            assert len(refusal.sentence) < 600
            counts["refused"] += 1
        except pyvips.Error:
            counts["failed"] += 1
    assert counts["read"] > 250
    assert counts["refused"] > 100
    assert counts["failed"] < 15
