from __future__ import annotations

import functools
import io
import struct
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image
from tests.imaging.read_makers import psd_bytes

from drydown.intake.ends import unfinished


def _noise() -> Image.Image:
    rng = np.random.default_rng(5)
    return Image.fromarray(rng.integers(0, 255, (400, 500, 3), dtype=np.uint8))


@functools.cache
def _saved(kind: str) -> bytes:
    data = io.BytesIO()
    if kind.startswith("PS"):
        planes = np.moveaxis(np.asarray(_noise()), 2, 0)
        return psd_bytes(planes, mode=3, large="PSB" in kind, packed="raw" not in kind)
    if kind == "HEIC":
        pillow_heif.from_pillow(_noise()).save(data)
    elif kind == "BIGTIFF":
        tifffile.imwrite(data, np.asarray(_noise()), bigtiff=True, byteorder=">")
    else:
        _noise().save(data, kind, **({"quality": 95} if kind in ("JPEG", "WEBP", "AVIF") else {}))
    return data.getvalue()


PSD = {
    "rows": functools.partial(psd_bytes, packed=True),
    "raw": functools.partial(psd_bytes, packed=False),
}


def ask(data: bytes) -> str | None:
    return unfinished(lambda place, count: data[place : place + count], len(data))


KINDS = ["JPEG", "PNG", "TIFF", "BIGTIFF", "WEBP", "AVIF", "HEIC", "PSD", "PSB", "PSD raw", "PSB raw"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_whole_file_looks_finished(kind: str) -> None:
    assert ask(_saved(kind)) is None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("part", [0.02, 0.5])
def test_a_file_of_full_size_whose_rest_is_zeros_looks_unfinished(kind: str, part: float) -> None:
    data = _saved(kind)
    cut = int(len(data) * part)
    assert len(data) - cut > 64 * 1024
    assert ask(data[:cut] + bytes(len(data) - cut))


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_where_a_format_marks_its_end_a_few_missing_bytes_are_noticed(kind: str) -> None:
    data = _saved(kind)
    assert ask(data[:-20] + bytes(20))


@pytest.mark.parametrize("packing", list(PSD))
@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize(("bits", "mode"), [(1, 0), (8, 3), (16, 3), (32, 3)])
def test_of_a_psd_not_one_byte_may_be_missing(packing: str, large: bool, bits: int, mode: int) -> None:
    planes = np.random.default_rng(3).integers(0, 2, (1 if mode == 0 else 3, 7, 13)) * (
        255 if bits > 1 else 1
    )
    sections = {"resources": {1039: b"a profile"}, "block": b"8BIMLMsk a mask that ends the section"}
    data = PSD[packing](planes, mode=mode, bits=bits, large=large, layers=1, **sections)
    assert ask(data) is None and ask(data + b"more") is None
    for count in range(4, len(data)):
        assert ask(data[:count]), count


def test_a_psd_whose_pixels_are_packed_in_a_way_that_states_no_length_is_left_to_its_reader() -> None:
    data = psd_bytes(np.full((3, 4, 4), 200), mode=3, packed=False)
    head = data[: -3 * 4 * 4 - 2]
    assert ask(head + b"\0\2" + b"zip") is None and ask(head + b"\0\3" + b"zip") is None
    assert ask(head + b"\0") and ask(head)


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("packing", [0, 1])
@pytest.mark.parametrize("filled", [0, 100_000, 5_000_000])
def test_whatever_size_a_psd_states_little_of_it_is_read(version: int, packing: int, filled: int) -> None:
    head = b"8BPS" + struct.pack(">H6xHIIHH", version, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 8, 3)
    data = head + bytes(8 + 4 * version) + struct.pack(">H", packing) + b"\xff" * filled
    asked: list[int] = []

    def read(place: int, count: int) -> bytes:
        asked.append(count)
        return data[place : place + count]

    assert unfinished(read, len(data)) == "its PSD data is cut"
    assert sum(asked) < 200_000


def test_of_a_psd_with_millions_of_rows_the_first_are_added_up() -> None:
    rows = 2_000_000
    head = b"8BPS" + struct.pack(">H6xHIIHH", 2, 1, rows, 8, 8, 1) + bytes(16) + struct.pack(">H", 1)
    table = struct.pack(">I", 2) * rows
    asked: list[int] = []
    data = head + table + b"\x01\xf9" * rows

    def read(place: int, count: int) -> bytes:
        asked.append(count)
        return data[place : place + count]

    assert unfinished(read, len(data)) is None
    assert max(asked) <= 64 * 1024 and sum(asked) < 5_000_000
    assert ask(data[: len(head) + len(table) + rows]) is not None


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_tiff_whose_directory_comes_last_is_unfinished_until_it_is_there(order: str) -> None:
    pixels = np.asarray(_noise()).tobytes()
    short, long = struct.Struct(order + "H"), struct.Struct(order + "I")
    tags = {256: 500, 257: 400, 258: 8, 259: 1, 262: 1, 273: 8, 277: 3, 278: 400, 279: len(pixels)}
    head = (b"II*\0" if order == "<" else b"MM\0*") + long.pack(8 + len(pixels))
    directory = short.pack(len(tags)) + b"".join(
        struct.pack(order + "HHII", tag, 4, 1, v) for tag, v in tags.items()
    )
    whole = head + pixels + directory + bytes(4)
    assert ask(whole) is None
    assert ask(head + pixels + bytes(len(directory) + 4))
    assert ask(whole[:-30])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("part", [0.0001, 0.1, 0.5, 0.9])
def test_a_file_that_is_cut_looks_unfinished(kind: str, part: float) -> None:
    data = _saved(kind)
    assert ask(data[: int(len(data) * part)])


@pytest.mark.parametrize("more", [b"\0" * 1000, b"\0" * 30_000, b"a preview that a camera appends" * 30])
def test_a_jpeg_may_carry_something_after_its_end(more: bytes) -> None:
    assert ask(_saved("JPEG") + more) is None


def test_the_end_mark_of_an_embedded_preview_is_not_the_end() -> None:
    preview = _saved("JPEG")
    data = (
        preview[:2] + b"\xff\xe1" + (len(preview) + 2).to_bytes(4, "big")[2:] + preview + _saved("JPEG")[2:]
    )
    assert ask(data[: len(preview) + 20_000])


def test_content_that_is_no_known_format_is_asked_only_about_zeros(tmp_path: Path) -> None:
    assert ask(b"a text") is None
    assert ask(b"a text" + bytes(100_000))
    assert ask(b"8BPS" + bytes(40) + b"pixels") is None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("count", range(1, 33))
def test_of_a_file_that_is_closed_after_its_first_bytes_the_rest_is_waited_for(kind: str, count: int) -> None:
    """Found by the row `half-written`: a PNG whose writer closed it after one byte, paused, and appended the rest."""
    assert ask(_saved(kind)[:count])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 11, 16, 40])
def test_of_a_file_of_zeros_that_has_its_first_bytes_the_rest_is_waited_for(kind: str, count: int) -> None:
    """Found by the row `half-written`: zeros of the full length, overwritten piece by piece with a close after each."""
    data = _saved(kind)
    assert ask(data[:count] + bytes(len(data) - count))
    assert ask(data[:count] + bytes(2000))


@pytest.mark.parametrize("text", [b"a = 1", b"II = 2", b"R = 1", b"# M", b"x"])
def test_short_settings_are_not_taken_for_the_beginning_of_a_picture(text: bytes) -> None:
    assert ask(text) is None


@pytest.mark.parametrize(
    "head", [b"II*\0", b"MM\0+\0\x08", b"RIFF\xff\xff\xff\xffWEBP", b"\0\0\0\x18ftyp", b"\xff\xd8\xff"]
)
def test_a_few_bytes_of_a_known_format_do_not_confuse(head: bytes) -> None:
    assert ask(head)
