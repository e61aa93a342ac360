"""TIFF: every structure gives the same pixels, and what is not one whole finished picture is refused in words."""

from __future__ import annotations

import itertools
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from read_makers import exif_block, expanded, noise, opened, said

from drydown.errors import Hold, Refusal
from drydown.imaging import working
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.read import open_picture

PROFILE_TAG = 34675


def written(path: Path, array: Any, **options: Any) -> Path:
    tifffile.imwrite(path, array, **options)
    return path


def tagged(icc: bytes) -> dict[str, Any]:
    return {"extratags": [(PROFILE_TAG, 7, len(icc), icc, True)]}


STRUCTURES = list(
    itertools.product(
        (8, 16), ("strip", "tile"), (None, "lzw", "zlib"), ("contig", "separate"), ("<", ">"), (False, True)
    )
)


@pytest.mark.parametrize(("bits", "layout", "packing", "planar", "order", "big"), STRUCTURES)
def test_every_structure_gives_every_code(
    tmp_path: Path, bits: int, layout: str, packing: str | None, planar: str, order: str, big: bool
) -> None:
    codes = noise(bits=bits)
    options: dict[str, Any] = {"tile": (16, 32)} if layout == "tile" else {"rowsperstrip": 7}
    path = written(
        tmp_path / "a.tif",
        codes if planar == "contig" else np.moveaxis(codes, 2, 0).copy(),
        photometric="rgb",
        planarconfig=planar,
        compression=packing,
        predictor=packing is not None,
        byteorder=order,
        bigtiff=big,
        **options,
    )
    picture, seen = opened(path)
    np.testing.assert_array_equal(seen, expanded(codes))
    assert picture.facts["bits"] == bits
    assert picture.facts["format"] == ("BigTIFF" if big else "TIFF")
    assert picture.pixels.interpretation == "rgb16"


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("kind", ["minisblack", "miniswhite"])
def test_grey_comes_as_light_whichever_end_is_white(tmp_path: Path, bits: int, kind: str) -> None:
    codes = noise(bands=1, bits=bits)
    picture, seen = opened(written(tmp_path / "a.tif", codes, photometric=kind))
    wanted = expanded(codes)
    np.testing.assert_array_equal(seen, 65535 - wanted if kind == "miniswhite" else wanted)
    assert picture.icc == working.grey_srgb()


def test_one_bit_is_black_and_white(tmp_path: Path) -> None:
    codes = noise(bands=1, bits=8) > 128
    _, seen = opened(written(tmp_path / "a.tif", codes, photometric="minisblack"))
    np.testing.assert_array_equal(seen[:, :, 0], codes * 65535)


@pytest.mark.parametrize(
    ("kind", "bits"), [("minisblack", 1), ("minisblack", 8), ("minisblack", 16), ("palette", 8)]
)
def test_a_single_plane_that_is_called_separate_is_read_like_any_other(
    tmp_path: Path, kind: str, bits: int
) -> None:
    codes = noise(bands=1, bits=max(bits, 8))
    palette = np.random.default_rng(2).integers(0, 256, (3, 256), dtype=np.uint16) * 257
    path = written(
        tmp_path / "a.tif",
        codes > 128 if bits == 1 else codes,
        photometric=kind,
        colormap=palette if kind == "palette" else None,
    )
    data = bytearray(path.read_bytes())
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    for at in range(first + 2, first + 2 + 12 * count, 12):
        if (
            struct.unpack_from("<H", data, at)[0] == 305
        ):  # the writer's name gives its place; tags need not be in order
            struct.pack_into("<HHII", data, at, 284, 3, 1, 2)
    path.write_bytes(data)
    _, seen = opened(path)
    wanted = {1: (codes > 128)[:, :, np.newaxis] * 65535}.get(bits, expanded(codes))
    np.testing.assert_array_equal(seen, palette[:, codes].transpose(1, 2, 0) if kind == "palette" else wanted)


def test_a_palette_is_looked_up(tmp_path: Path) -> None:
    codes = noise(bands=1, bits=8)
    palette = np.random.default_rng(2).integers(0, 256, (3, 256), dtype=np.uint16) * 257
    picture, seen = opened(written(tmp_path / "a.tif", codes, photometric="palette", colormap=palette))
    np.testing.assert_array_equal(seen, palette[:, codes].transpose(1, 2, 0))
    assert picture.icc == working.srgb()


def test_transparency_that_is_declared_is_kept(tmp_path: Path) -> None:
    codes = noise(bands=4)
    picture, seen = opened(written(tmp_path / "a.tif", codes, photometric="rgb", extrasamples=["unassalpha"]))
    np.testing.assert_array_equal(seen, codes)
    assert picture.facts["alpha"] is True


def test_a_channel_that_is_not_declared_is_no_transparency(tmp_path: Path) -> None:
    codes = noise(bands=4)
    picture, seen = opened(
        written(tmp_path / "a.tif", codes, photometric="rgb", extrasamples=["unspecified"])
    )
    np.testing.assert_array_equal(seen, codes[:, :, :3])
    assert "left out" in said(picture)


@pytest.mark.parametrize("bands", [1, 3])
@pytest.mark.parametrize("bits", [8, 16])
def test_transparency_that_was_multiplied_in_is_taken_out_and_rounded(
    tmp_path: Path, bands: int, bits: int
) -> None:
    codes = noise(bands=bands + 1, bits=bits)
    codes[0, 0, -1] = 0
    full = 2**bits - 1
    alpha = codes[:, :, -1:].astype(np.int64)
    codes[:, :, :bands] = np.rint(codes[:, :, :bands] * (alpha / full)).astype(codes.dtype)
    path = written(
        tmp_path / "a.tif",
        codes,
        photometric="rgb" if bands == 3 else "minisblack",
        extrasamples=["assocalpha"],
    )
    _, seen = opened(path)
    wanted = codes[:, :, :bands] / np.maximum(alpha, 1) * 65535
    assert np.abs(seen[:, :, :bands] - np.clip(wanted, 0, 65535))[alpha[:, :, 0] > 0].max() <= 0.51
    assert (seen[:, :, bands] == expanded(codes)[:, :, bands]).all()
    assert (seen[0, 0, :bands] == 0).all()


@pytest.mark.parametrize(
    ("extra", "place", "dropped"),
    [
        (["unassalpha", "unspecified"], 3, 1),
        (["unspecified", "unassalpha"], 4, 1),
        (["unspecified", "assocalpha"], 4, 1),
        (["unspecified", "unspecified"], None, 2),
    ],
)
def test_of_several_extra_channels_the_declared_one_is_transparency(
    tmp_path: Path, extra: list[str], place: int | None, dropped: int
) -> None:
    codes = noise(bands=5)
    codes[:, :, 4] = codes[:, :, 4] // 2 + 32768  # opaque enough for a division that is exact within a code
    if extra[1] == "assocalpha":
        codes[:, :, :3] = np.rint(codes[:, :, :3] * (codes[:, :, 4:] / 65535)).astype(np.uint16)
    picture, seen = opened(written(tmp_path / "a.tif", codes, photometric="rgb", extrasamples=extra))
    assert picture.facts["alpha"] is (place is not None)
    if place is not None:
        np.testing.assert_array_equal(seen[:, :, 3], codes[:, :, place])
    colours = codes[:, :, :3].astype(np.int64)
    if extra[1] == "assocalpha":
        colours = np.rint(colours * 65535 / codes[:, :, 4:]).astype(np.int64)
    assert np.abs(seen[:, :, :3] - colours).max() <= (1 if extra[1] == "assocalpha" else 0)
    assert next(note for note in picture.notes if "left out" in note.text).figures == {"channels": dropped}


@pytest.mark.parametrize("kind", ["minisblack", "miniswhite"])
def test_grey_is_turned_round_without_its_transparency(tmp_path: Path, kind: str) -> None:
    codes = noise(bands=2)
    path = written(
        tmp_path / "a.tif", codes, photometric=kind, planarconfig="contig", extrasamples=["unassalpha"]
    )
    _, seen = opened(path)
    np.testing.assert_array_equal(seen[:, :, 1], codes[:, :, 1])
    grey = codes[:, :, 0].astype(int)
    np.testing.assert_array_equal(seen[:, :, 0], 65535 - grey if kind == "miniswhite" else grey)


@pytest.mark.parametrize("rows", [1, 7, 48])
@pytest.mark.parametrize("kind", ["minisblack", "miniswhite"])
def test_grey_with_its_transparency_in_another_plane_is_not_mixed_up(
    tmp_path: Path, kind: str, rows: int
) -> None:
    """libvips 8.18 reads such a file wrongly and says nothing where a strip has more than one row."""
    codes = noise(bands=2)
    path = written(
        tmp_path / "a.tif",
        np.moveaxis(codes, 2, 0).copy(),
        photometric=kind,
        planarconfig="separate",
        extrasamples=["unassalpha"],
        rowsperstrip=rows,
    )
    _, seen = opened(path)
    np.testing.assert_array_equal(seen[:, :, 1], codes[:, :, 1])
    grey = codes[:, :, 0].astype(int)
    np.testing.assert_array_equal(seen[:, :, 0], 65535 - grey if kind == "miniswhite" else grey)


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


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("access", ["sequential", "random"])
def test_all_eight_orientations_are_applied(tmp_path: Path, orientation: int, access: Any) -> None:
    codes = noise()
    stored = {
        1: codes,
        2: codes[:, ::-1],
        3: codes[::-1, ::-1],
        4: codes[::-1],
        5: codes.transpose(1, 0, 2),
        6: np.rot90(codes, 1),
        7: np.rot90(codes, 2).transpose(1, 0, 2),
        8: np.rot90(codes, -1),
    }[orientation]
    path = written(
        tmp_path / "a.tif", stored.copy(), photometric="rgb", extratags=[(274, 3, 1, orientation, True)]
    )
    picture, seen = opened(path, access=access)
    np.testing.assert_array_equal(seen, codes)
    assert picture.facts["orientation"] == orientation
    assert (picture.facts["width"], picture.facts["height"]) == (64, 48)


def test_several_pages_are_refused_and_thumbnails_are_passed_over(tmp_path: Path) -> None:
    codes = noise()
    small = noise(6, 8)
    with tifffile.TiffWriter(tmp_path / "pages.tif") as file:
        file.write(codes, photometric="rgb")
        file.write(codes, photometric="rgb")
    with pytest.raises(Refusal, match="has 2 pages"):
        opened(tmp_path / "pages.tif")
    for first in (True, False):
        path = tmp_path / f"thumb{first}.tif"
        with tifffile.TiffWriter(path) as file:
            for thumbnail in (first, not first):
                file.write(
                    small if thumbnail else codes, photometric="rgb", subfiletype=1 if thumbnail else 0
                )
        np.testing.assert_array_equal(opened(path)[1], codes)


@pytest.mark.parametrize(
    "raw",
    [
        {"photometric": "rgb", "extratags": [(50706, 1, 4, b"\1\4\0\0", True)]},
        {"photometric": 32803},
        {"photometric": 34892},
    ],
)
def test_camera_raw_is_refused_with_the_next_move(tmp_path: Path, raw: dict[str, Any]) -> None:
    codes = noise(bands=1 if raw["photometric"] == 32803 else 3)
    path = written(tmp_path / "a.tif", codes, **raw)
    with pytest.raises(Refusal, match=r"camera raw file.*Export it as a TIFF"):
        opened(path)


def test_camera_raw_is_seen_in_a_sub_directory_behind_a_thumbnail(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as file:
        file.write(noise(6, 8), photometric="rgb", subfiletype=1, subifds=1)
        file.write(noise(bands=1), photometric=32803)
    with pytest.raises(Refusal, match="camera raw file"):
        opened(path)


def test_a_tiff_with_a_raw_ending_is_raw(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", noise(), photometric="rgb").rename(tmp_path / "a.DNG")
    with pytest.raises(Refusal, match="camera raw file"):
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


@pytest.mark.parametrize("packing", ["zstd", "lzma", "jpegxl", "jpeg2000"])
def test_a_packing_that_is_not_read_is_named(tmp_path: Path, packing: str) -> None:
    path = written(tmp_path / "a.tif", noise(bits=8), photometric="rgb", compression=packing)
    with pytest.raises(Refusal, match="compressed in a way that is not read here"):
        opened(path)


def test_remarks_that_libtiff_warns_about_do_no_harm(tmp_path: Path) -> None:
    codes = noise()
    path = written(
        tmp_path / "a.tif",
        codes,
        photometric="rgb",
        extratags=[(297, 3, 1, 7, True), (65000, 2, 5, "own\0", True), (37724, 7, 8, b"layers..", True)],
    )
    picture, seen = opened(path)
    np.testing.assert_array_equal(seen, codes)
    assert picture.facts["layered"] is True


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


def test_a_loop_of_directories_ends(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", noise(), photometric="rgb")
    data = bytearray(path.read_bytes())
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    struct.pack_into("<I", data, first + 2 + 12 * count, first)
    path.write_bytes(data)
    with pytest.raises(Refusal, match="form a loop"):
        opened(path)


def test_a_thousand_directories_are_enough(tmp_path: Path) -> None:
    one = struct.pack("<HHHII", 1, 256, 4, 1, 1)
    places = [8 + 18 * number for number in range(1002)]
    body = b"".join(one + struct.pack("<I", place) for place in [*places[1:], 0])
    path = tmp_path / "a.tif"
    path.write_bytes(b"II*\0" + struct.pack("<I", 8) + body)
    with pytest.raises(Refusal, match="more than 1,000 directories"):
        opened(path)


@pytest.mark.parametrize("margin", [-1, 0, 1])
def test_the_limit_of_pixels_is_exact(tmp_path: Path, margin: int) -> None:
    path = written(tmp_path / "a.tif", noise(), photometric="rgb")
    if margin < 0:
        with pytest.raises(Refusal, match="megapixels"):
            opened(path, max_pixels=48 * 64 + margin)
    else:
        opened(path, max_pixels=48 * 64 + margin)


def test_a_file_that_took_anothers_place_is_read_anew(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    for seed in (1, 2):
        codes = noise(seed=seed)
        written(path, codes, photometric="rgb")
        np.testing.assert_array_equal(opened(path)[1], codes)


@pytest.mark.parametrize("name", [b"caf\xe9.tif", "été 日本.tif".encode(), b"a[page=7].tif", b"-n.tif"])
def test_any_name_is_opened(tmp_path: Path, name: bytes) -> None:
    codes = noise()
    plain = written(tmp_path / "plain.tif", codes, photometric="rgb")
    path = plain.rename(tmp_path / os.fsdecode(name))
    np.testing.assert_array_equal(opened(path)[1], codes)


def test_nothing_of_the_files_metadata_goes_on(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.tif",
        noise(),
        photometric="rgb",
        description="where and who",
        extratags=[
            (700, 1, 9, b"<x:xmpme>", True),
            (33723, 7, 4, b"iptc", True),
            (PROFILE_TAG, 7, len(working.srgb()), working.srgb(), True),
        ],
    )
    picture, _ = opened(path)
    kept = set(picture.pixels.get_fields())
    assert not {
        name for name in kept if "xmp" in name or "iptc" in name or "icc" in name or "description" in name
    }


def test_opening_a_large_picture_reads_none_of_its_pixels(tmp_path: Path) -> None:
    """45 megapixels at 16 bits, 270 MB: what is read is counted by the kernel (proc(5), /proc/pid/io)."""
    height, width = 5640, 8000
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as file:
        file.write(shape=(height, width, 3), dtype=np.uint16, photometric="rgb", rowsperstrip=16)

    def read_bytes() -> int:
        lines = Path("/proc/self/io").read_text().splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("rchar")))

    before = read_bytes()
    picture = open_picture(path, untagged="srgb", access="sequential", max_pixels=10**8, scratch=tmp_path)
    assert read_bytes() - before < 2_000_000
    assert (picture.pixels.width, picture.pixels.height) == (width, height)
