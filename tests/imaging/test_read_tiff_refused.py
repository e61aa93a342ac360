"""TIFF: what is not one whole finished picture is refused in words; remarks in the file do no harm."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from read_makers import noise, opened, written

from drydown.errors import Refusal


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
