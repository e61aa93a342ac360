"""TIFF: every structure gives the same pixels, whichever way up, whatever it is called."""

from __future__ import annotations

import itertools
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from read_makers import PROFILE_TAG, expanded, noise, opened, said, written

from drydown.imaging import working
from drydown.imaging.read import open_picture

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
