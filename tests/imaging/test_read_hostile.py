"""Files that once were taken wrongly, took for ever, or were refused though they are sound; each built here, byte by byte."""

from __future__ import annotations

import io
import logging
import struct
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image
from read_makers import (
    evaluated,
    exif_block,
    jpeg_bytes,
    noise,
    opened,
    png_bytes,
    png_chunk,
    riff,
    said,
    scene,
    tagged,
    vips_of,
    written,
)

from drydown.errors import Refusal
from drydown.imaging import working
from drydown.imaging.convert import convert
from drydown.imaging.guard import strict_warnings
from drydown.imaging.icc import sums_up
from drydown.imaging.reading import boxes, exif, ifd

ENOUGH_S = 2.0  # of the processor; each took many times as long


def maze(count: int, tag: int) -> bytes:
    """3,000 tags, of which one names `count` directories, all of them this one."""
    tags, table = 3000, 8 + 2 + 12 * 3000 + 4
    entries = [struct.pack("<HHII", tag, 4, count, table)]
    entries += [struct.pack("<HHII", 50_000 + number, 4, 1, 0) for number in range(tags - 1)]
    return (
        b"II*\0" + struct.pack("<IH", 8, tags) + b"".join(entries) + bytes(4) + struct.pack("<I", 8) * count
    )


def test_sub_directories_that_name_themselves_come_to_an_end() -> None:
    began = time.process_time()
    with pytest.raises(ifd.BadDirectory, match="more than 100,000 tags"):
        for directory in ifd.chain(maze(5000, ifd.SUB_DIRECTORIES)):
            list(ifd.children(directory))
    assert exif.read_exif(maze(1000, ifd.EXIF_DIRECTORY)).stated is None
    assert time.process_time() - began < ENOUGH_S


def test_one_number_of_a_tag_as_large_as_the_file_is_read_alone() -> None:
    data = b"II*\0" + struct.pack("<IHHHIII", 8, 1, 262, 3, 6_000_000, 26, 0) + b"\2\0" * 6_000_000
    (directory,) = ifd.chain(data)
    began = time.process_time()
    assert {directory.number(262, 0) for _ in range(2000)} == {2}
    assert time.process_time() - began < ENOUGH_S


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content) + 8) + name + content


@pytest.mark.parametrize(
    ("inner", "says"),
    [
        (box(b"iloc", bytes(6) + struct.pack(">H", 20_000) + struct.pack(">HHH", 1, 0, 65_535) * 20_000), "places"),
        (box(b"iref", bytes(4) + box(b"dimg", struct.pack(">HH", 1, 65_535)) * 30_000), "references are cut off"),
        (box(b"iprp", box(b"ipma", bytes(4) + struct.pack(">I", 20_000)) * 20_000), "properties is cut off"),
    ],
)  # fmt: skip
def test_tables_that_take_no_room_or_read_on_into_others_are_damaged(inner: bytes, says: str) -> None:
    began = time.process_time()
    with pytest.raises(boxes.BadBoxes, match=says):
        boxes.items(box(b"ftyp", b"heic\0\0\0\0mif1heic") + box(b"meta", bytes(4) + inner))
    assert time.process_time() - began < ENOUGH_S


def test_a_jpeg_with_megabytes_of_fill_bytes_is_read(tmp_path: Path) -> None:
    good, path = jpeg_bytes(scene()), tmp_path / "a.jpg"
    path.write_bytes(good)
    whole = opened(path)[1]
    path.write_bytes(good[:2] + b"\xff" * (8 << 20) + good[2:])
    began = time.process_time()
    np.testing.assert_array_equal(opened(path)[1], whole)
    assert time.process_time() - began < ENOUGH_S


def test_a_flipped_bit_in_a_zipped_tiff_is_told_by_its_check_sum(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", scene(64, 64), photometric="rgb", compression="zlib", rowsperstrip=64)
    data = path.read_bytes()
    with tifffile.TiffFile(path) as file:
        (start,), (count,) = file.pages[0].dataoffsets, file.pages[0].databytecounts
    stored = zlib.compress(
        zlib.decompress(data[start : start + count]), level=0
    )  # plain bytes behind a header
    flipped = bytearray(stored)
    flipped[-2000] ^= 0x10
    for packed, told in ((stored, False), (bytes(flipped), True)):
        made = bytearray(data + packed)
        for tag, value in ((273, len(data)), (279, len(packed))):
            place = made.index(struct.pack("<HH", tag, 4))
            struct.pack_into("<I", made, place + 8, value)
        path.write_bytes(made)
        if told:
            with pytest.raises(Refusal, match="check sum of its pixels"):
                opened(path)
        else:
            np.testing.assert_array_equal(opened(path)[1], scene(64, 64).astype(np.int64) * 257)


def test_a_zipped_strip_that_unpacks_to_more_than_its_pixels_is_damaged(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", scene(), photometric="rgb", compression="zlib", rowsperstrip=48)
    packed = zlib.compress(bytes(20 << 20))
    made = bytearray(path.read_bytes())
    for tag, value in ((273, len(made)), (279, len(packed))):
        struct.pack_into("<I", made, made.index(struct.pack("<HH", tag, 4)) + 8, value)
    path.write_bytes(bytes(made) + packed)
    with pytest.raises(Refusal, match="unpack to more"):
        opened(path)


def test_a_tiff_with_more_layers_and_remarks_than_libtiff_allows_is_read(tmp_path: Path) -> None:
    layers = bytes(60 << 20)
    extra = [(37724, 7, len(layers), layers, True)]
    path = written(tmp_path / "a.tif", scene(), photometric="rgb", extratags=extra)
    picture, seen = opened(path)
    np.testing.assert_array_equal(seen, scene().astype(np.int64) * 257)
    assert "The file has layers" in said(picture)


def test_a_compressed_tiff_in_a_single_strip_of_many_megabytes_is_read(tmp_path: Path) -> None:
    codes = noise(3000, 2400, bits=16)
    path = written(tmp_path / "a.tif", codes, photometric="rgb", compression="lzw", rowsperstrip=3000)
    assert path.stat().st_size > 52 << 20
    np.testing.assert_array_equal(evaluated(path)[1], codes)


def test_tags_that_lie_over_each_other_are_damaged(tmp_path: Path) -> None:
    many = [(50_000 + number, 1, 40_000, bytes(40_000), True) for number in range(3)]
    path = written(tmp_path / "a.tif", scene(), photometric="rgb", extratags=many)
    made = bytearray(path.read_bytes())
    places = [made.index(struct.pack("<HHI", 50_000 + number, 1, 40_000)) for number in range(3)]
    for place in places:
        struct.pack_into("<II", made, place + 4, len(made) - 8, 8)
    path.write_bytes(made)
    with pytest.raises(Refusal, match="tags take more bytes than the file has"):
        opened(path)


def webp(codes: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(codes).save(out, "WEBP", lossless=True, **options)  # type: ignore[arg-type]
    return out.getvalue()


@pytest.mark.parametrize(
    ("flag", "says"), [(0x20, "states a colour profile"), (0x08, "states an EXIF block")]
)
def test_a_webp_that_has_lost_what_it_states_is_damaged(tmp_path: Path, flag: int, says: str) -> None:
    picture = webp(scene())
    body = picture[picture.index(b"VP8L") + 8 :]
    head = bytes([flag]) + bytes(3) + struct.pack("<I", 63)[:3] + struct.pack("<I", 47)[:3]
    path = tmp_path / "a.webp"
    path.write_bytes(riff((b"VP8X", head), (b"VP8L", body)))
    with pytest.raises(Refusal, match=says):
        opened(path)


def test_a_webp_whose_last_chunk_is_zeros_is_damaged_and_not_turned_the_wrong_way(tmp_path: Path) -> None:
    data = webp(scene(), exif=b"Exif\0\0" + exif_block(6))
    at = data.index(b"EXIF")
    path = tmp_path / "a.webp"
    path.write_bytes(data[:at] + bytes(len(data) - at))
    with pytest.raises(Refusal, match="damaged at byte"):
        opened(path)


def test_a_profile_that_does_not_fit_its_own_check_sum_is_said(tmp_path: Path) -> None:
    import hashlib

    plain = bytearray(working.oprgb())
    for start, end in ((44, 48), (64, 68), (84, 100)):
        plain[start:end] = bytes(end - start)
    signed = bytearray(working.oprgb())
    signed[84:100] = hashlib.md5(plain).digest()
    assert sums_up(bytes(signed))
    changed = bytearray(signed)
    changed[-200] ^= 1
    for icc, told in ((signed, False), (changed, True)):
        path = written(tmp_path / "a.tif", scene(), photometric="rgb", **tagged(bytes(icc)))
        assert ("does not fit its own check sum" in said(opened(path)[0])) is told


def test_one_pixel_above_the_limit_reads_as_more_than_the_limit(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", np.zeros((101, 9901), np.uint8), photometric="minisblack")
    with pytest.raises(Refusal, match=r"1\.000001 megapixels, and 1 is the limit"):
        opened(path, max_pixels=1_000_000)


def test_a_png_with_more_texts_than_are_kept_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(png_bytes(scene(), *[(b"tEXt", b"Title\0x")] * 80))
    np.testing.assert_array_equal(opened(path)[1], scene().astype(np.int64) * 257)
    assert png_chunk(b"tEXt", b"Title\0x") in path.read_bytes()


def test_what_a_decoder_logs_while_colours_are_converted_is_the_pictures_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    image = vips_of(noise())

    def doubting(self: object, *_: object, **__: object) -> object:
        logging.getLogger("pyvips").warning("VIPS: read gave 8 warnings")
        return self

    monkeypatch.setattr(type(image), "icc_transform", doubting, raising=False)
    with pytest.raises(
        Refusal, match=r"cannot be converted in a way that can be trusted .* export it again\."
    ):
        convert(image, working.srgb(), working.oprgb(), intent="relative", black_point_compensation=True)


def test_a_librarys_words_are_one_line_of_moderate_length() -> None:
    with pytest.raises(Refusal) as caught, strict_warnings():
        logging.getLogger("pyvips").warning("ValueError: bad\nthing " + "0, " * 4000)
    assert len(caught.value.sentence) < 400
    assert "\n" not in caught.value.sentence and "ValueError" not in caught.value.sentence


@pytest.mark.parametrize(
    ("detail", "says"),
    [
        ("\n  \n", "could not be opened as PNG. Open it"),
        ("pngload: bad\x1b row", "(pngload: bad\\x1b row). Open it"),
    ],
)
def test_a_decoder_without_words_gives_a_sentence_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, detail: str, says: str
) -> None:
    def falls(*_args: object, **_options: object) -> None:
        error = pyvips.Error("unable to call pngload")
        error.detail = detail
        raise error

    path = tmp_path / "a.png"
    path.write_bytes(png_bytes(np.zeros((4, 4, 3), np.uint8)))
    monkeypatch.setattr(pyvips.Image, "pngload", falls, raising=False)
    with pytest.raises(Refusal) as refused:
        opened(path)
    assert says in str(refused.value) and str(refused.value).isprintable()
