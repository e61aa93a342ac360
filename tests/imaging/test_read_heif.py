"""AVIF and HEIC: depths, turning, stated colour, and files that are not whole."""

from __future__ import annotations

import errno
import struct
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from read_makers import expanded, noise, opened, said, scene, vips_of

from drydown.errors import Refusal
from drydown.imaging import working
from drydown.imaging.reading import heif, hevc
from drydown.imaging.reading.boxes import BadBoxes, Items, items
from drydown.imaging.reading.found import mapped


def avif(path: Path, codes: np.ndarray, bits: int = 8, **options: object) -> Path:
    """Without loss, by libvips."""
    vips_of(codes).heifsave(str(path), compression="av1", bitdepth=bits, lossless=True, **options)
    return path


def heic(path: Path, codes: np.ndarray, **options: object) -> Path:
    """By pillow-heif, as exact as its encoder goes."""
    bands = codes.shape[2]
    mode = {1: "L", 3: "RGB", 4: "RGBA"}[bands] + (";16" if codes.dtype == np.uint16 else "")
    made = pillow_heif.from_bytes(
        mode=mode, size=(codes.shape[1], codes.shape[0]), data=np.ascontiguousarray(codes).tobytes()
    )
    made.save(path, quality=-1, chroma=444, matrix_coefficients=0, **options)
    return path


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_avif_keeps_its_depth_and_white_is_white(tmp_path: Path, bits: int) -> None:
    """A code v of n bits is v · 65535 / (2^n − 1): white 65535, not 65472 as the decoder hands it over."""
    codes = scene().astype(np.uint16) * 257 if bits > 8 else scene()
    codes[0, 0], codes[0, 1] = np.iinfo(codes.dtype).max, 0
    picture, seen = opened(avif(tmp_path / "a.avif", codes, bits))
    assert picture.facts["bits"] == bits
    step = 65535 / (2**bits - 1)
    assert np.abs(seen - expanded(codes)).max() <= step
    assert np.abs(seen / step - np.rint(seen / step)).max() < 0.51 / step
    assert (seen[0, 0] == 65535).all()
    assert (seen[0, 1] == 0).all()


@pytest.mark.parametrize("deep", [False, True])
def test_heic_keeps_its_depth_and_white_is_white(tmp_path: Path, deep: bool) -> None:
    codes = scene().astype(np.uint16) * 257 if deep else scene()
    codes[:8, :8] = np.iinfo(codes.dtype).max
    picture, seen = opened(heic(tmp_path / "a.heic", codes))
    assert picture.facts["bits"] == (10 if deep else 8)
    assert np.abs(seen - expanded(codes)).max() <= 3 * 257
    assert (seen[2:6, 2:6] == 65535).all()


@pytest.mark.parametrize("bits", [10, 12])
def test_grey_heic_of_more_than_8_bits_keeps_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bits: int
) -> None:
    """Its library calls one deep channel `I;16` and three `RGB;16`."""
    codes = scene(bands=1)[:, :, 0].astype(np.uint16) * 257
    codes[:8, :8] = 65535
    path = tmp_path / "a.heic"
    made = pillow_heif.from_bytes(mode="I;16", size=codes.shape[::-1], data=codes.tobytes())
    monkeypatch.setattr(pillow_heif.options, "SAVE_HDR_TO_12_BIT", bits == 12)
    made.save(path, quality=-1)
    picture, seen = opened(path)
    assert picture.facts["bits"] == bits
    assert picture.icc == working.grey_srgb()
    assert np.abs(seen - codes[:, :, None].astype(int)).max() <= 3 * 257
    assert (seen[2:6, 2:6] == 65535).all()


UNIT = b"\x28\x01\xaf\x00\x00\x03\x01\x7c"


@pytest.mark.parametrize(
    ("unit", "whole"),
    [
        (UNIT, True),
        (UNIT + b"\0", True),
        (UNIT[:-1] + b"\0\0\0" + UNIT[-1:], False),
        (UNIT[:-1] + b"\0\0\1" + UNIT[-1:], False),
        (UNIT[:-1] + b"\0\0\2" + UNIT[-1:], False),
        (b"\xa8" + UNIT[1:], False),
        (b"\0" * 8, False),
        (b"\x28", False),
        (b"", False),
    ],
)
@pytest.mark.parametrize("length_bytes", [1, 2, 4])
def test_units_of_hevc(unit: bytes, whole: bool, length_bytes: int) -> None:
    """ITU-T H.265, 7.4.2: which bytes no unit may hold, and that its first bit is zero; ISO/IEC 14496-15, 8.3.2: a length before each."""
    framed = len(unit).to_bytes(length_bytes, "big") + unit
    good = len(UNIT).to_bytes(length_bytes, "big") + UNIT
    assert hevc.is_whole(good + framed, length_bytes=length_bytes) is whole
    assert not hevc.is_whole(good + framed + b"\1", length_bytes=length_bytes)
    assert not hevc.is_whole(good[:-1], length_bytes=length_bytes)


def test_no_unit_is_not_whole() -> None:
    assert not hevc.is_whole(b"", length_bytes=4)


def test_heic_with_odd_sides_has_no_padding(tmp_path: Path) -> None:
    codes = scene(47, 61)
    _, seen = opened(heic(tmp_path / "a.heic", codes))
    assert seen.shape == (47, 61, 3)
    assert np.abs(seen - expanded(codes)).max() <= 3 * 257


@pytest.mark.parametrize("make", [avif, heic])
def test_transparency_is_kept(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    codes = scene(bands=4)
    codes[:, :, 3] = np.arange(64)
    picture, seen = opened(make(tmp_path / "a.heif", codes))
    assert picture.facts["alpha"] is True
    assert np.abs(seen[:, :, 3] - codes[:, :, 3].astype(int) * 257).max() <= 3 * 257


@pytest.mark.parametrize("ending", ["avif", "heic"])
def test_a_picture_without_colour_has_one_channel(tmp_path: Path, ending: str) -> None:
    codes = scene(bands=1)
    path = tmp_path / f"a.{ending}"
    if ending == "avif":
        Image.fromarray(codes[:, :, 0]).save(path, "AVIF", quality=100)  # written without colour planes
    else:
        heic(path, codes)
    picture, seen = opened(path)
    assert picture.icc == working.grey_srgb()
    assert np.abs(seen - expanded(codes)).max() <= 3 * 257


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_is_turned_once_although_exif_says_it_again(tmp_path: Path, orientation: int) -> None:
    """The writer turns EXIF's orientation into `irot` and `imir`, and the reader's library applies those."""
    codes = scene()
    transposed = codes.transpose(1, 0, 2)
    stored = {
        1: codes,
        2: codes[:, ::-1],
        3: codes[::-1, ::-1],
        4: codes[::-1],
        5: transposed,
        6: transposed[::-1],
        7: transposed[::-1, ::-1],
        8: transposed[:, ::-1],
    }[orientation]
    path = tmp_path / "a.heic"
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(stored.copy()).save(path, "HEIF", quality=-1, chroma=444, exif=exif.tobytes())
    data = path.read_bytes()
    assert (b"irot" in data or b"imir" in data) is (orientation != 1)
    picture, seen = opened(path)
    assert seen.shape == codes.shape
    assert np.abs(seen - expanded(codes)).max() <= 6 * 257
    assert (picture.facts["width"], picture.facts["height"]) == (64, 48)


@pytest.mark.parametrize("make", [avif, heic])
def test_code_points_of_srgb_count_as_a_profile(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    path = make(tmp_path / "a.heif", scene())
    data = path.read_bytes()
    at = data.index(b"colrnclx") + 8
    path.write_bytes(data[:at] + struct.pack(">HH", 1, 13) + data[at + 4 :])
    picture, _ = opened(path, untagged="hold")
    assert picture.icc == working.srgb()
    assert picture.facts["profile_from"] == "stated"


@pytest.mark.parametrize("make", [avif, heic])
def test_code_points_of_p3_make_its_profile(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    path = make(tmp_path / "a.heif", scene())
    data = path.read_bytes()
    at = data.index(b"colrnclx") + 8
    path.write_bytes(data[:at] + struct.pack(">HH", 12, 13) + data[at + 4 :])
    picture, _ = opened(path, untagged="hold")
    assert "P3 D65" in picture.facts["profile"]
    assert "P3 D65" in said(picture)


@pytest.mark.parametrize(("points", "words"), [((9, 16), "PQ"), ((9, 18), "HLG"), ((22, 13), "primaries 22")])
def test_code_points_that_cannot_be_printed_are_refused(
    tmp_path: Path, points: tuple[int, int], words: str
) -> None:
    path = avif(tmp_path / "a.avif", scene())
    data = path.read_bytes()
    at = data.index(b"colrnclx") + 8
    path.write_bytes(data[:at] + struct.pack(">HH", *points) + data[at + 4 :])
    with pytest.raises(Refusal, match=words):
        opened(path)


def test_code_points_left_open_are_untagged(tmp_path: Path) -> None:
    path = avif(tmp_path / "a.avif", scene())
    data = path.read_bytes()
    at = data.index(b"colrnclx") + 8
    path.write_bytes(data[:at] + struct.pack(">HH", 2, 2) + data[at + 4 :])
    assert opened(path)[0].facts["profile_from"] == "untagged"


def test_the_embedded_profile_is_handed_over_byte_for_byte(tmp_path: Path) -> None:
    icc = working.wide_gamut()
    path = tmp_path / "a.avif"
    Image.fromarray(scene()).save(path, "AVIF", icc_profile=icc)
    assert opened(path)[0].icc == icc
    pillow_heif.register_heif_opener()
    path = tmp_path / "a.heic"
    Image.fromarray(scene()).save(path, "HEIF", icc_profile=icc)
    assert opened(path)[0].icc == icc


def test_a_sequence_is_refused(tmp_path: Path) -> None:
    frames = [Image.fromarray(noise(bits=8, seed=seed)) for seed in (1, 2)]
    path = tmp_path / "a.avif"
    frames[0].save(path, "AVIF", save_all=True, append_images=frames[1:])
    with pytest.raises(Refusal, match="moving picture"):
        opened(path)


@pytest.mark.parametrize("make", [avif, heic])
def test_every_cut_is_refused(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    data = make(tmp_path / "a.heif", scene()).read_bytes()
    path = tmp_path / "cut.heif"
    for length in range(12, len(data), max(1, len(data) // 150)):
        path.write_bytes(data[:length])
        with pytest.raises(Refusal):
            opened(path)


@pytest.mark.parametrize("make", [avif, heic])
def test_picture_data_that_ends_in_zeros_is_refused(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    data = make(tmp_path / "a.heif", noise(128, 128, bits=8)).read_bytes()
    path = tmp_path / "zeros.heif"
    path.write_bytes(data[:-1500] + bytes(1500))
    with pytest.raises(Refusal, match="zero bytes"):
        opened(path)


def test_the_limit_of_pixels_counts_before_decoding(tmp_path: Path) -> None:
    path = avif(tmp_path / "a.avif", scene())
    data = path.read_bytes()
    at = data.index(b"ispe") + 8
    path.write_bytes(data[:at] + struct.pack(">II", 60000, 60000) + data[at + 8 :])
    with pytest.raises(Refusal, match="3600 megapixels"):
        opened(path)


@pytest.mark.parametrize("name", [b"jpeg", b"a\0\n1"])
def test_a_picture_coded_in_another_way_is_refused(tmp_path: Path, name: bytes) -> None:
    path = avif(tmp_path / "a.avif", scene())
    path.write_bytes(path.read_bytes().replace(b"av01", name))
    with pytest.raises(Refusal, match="coded in a way that is not read here") as refused:
        opened(path)
    assert str(refused.value).isprintable()


def test_a_film_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.heic"
    path.write_bytes(
        struct.pack(">I4s4sI4s", 20, b"ftyp", b"qt  ", 0, b"qt  ") + struct.pack(">I4s", 8, b"moov")
    )
    with pytest.raises(Refusal, match="moving picture"):
        opened(path)


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", len(content) + 8, name) + content


def full(name: bytes, version: int, content: bytes, flags: int = 0) -> bytes:
    return box(name, struct.pack(">I", version << 24 | flags) + content)


@pytest.mark.parametrize("version", [0, 1, 2])
def test_places_of_items_are_read_in_all_three_versions(version: int) -> None:
    """ISO 14496-12, 8.11.3: version 1 adds the method, version 2 wider numbers."""
    number = ">I" if version == 2 else ">H"
    method = struct.pack(">H", 1) if version else b""
    entry = struct.pack(number, 7) + method + struct.pack(">H", 0) + struct.pack(">HII", 1, 4, 6)
    iloc = full(b"iloc", version, bytes([0x44, 0]) + struct.pack(number, 1) + entry)
    idat = box(b"idat", b"0123456789")
    data = full(b"meta", 0, idat + iloc)
    (start, end) = items(data).extents[7][0]
    assert end - start == 6
    if version:
        assert data[start:end] == b"456789"
    else:
        assert start == 4


def test_properties_belong_to_items_in_narrow_and_wide_tables() -> None:
    """ISO 23008-12, 9.3.1: the numbers count from 1; the highest bit says essential."""
    for version, flags in ((0, 0), (1, 1)):
        number = ">I" if version else ">H"
        index = struct.pack(">HH", 0x8002, 1) if flags else bytes([0x82, 1])
        ipma = full(
            b"ipma", version, struct.pack(">I", 1) + struct.pack(number, 3) + bytes([2]) + index, flags
        )
        ipco = box(b"ipco", box(b"ispe", b"first") + box(b"irot", b"second"))
        data = full(b"meta", 0, box(b"iprp", ipco + ipma))
        assert items(data).properties_of(3) == [(b"irot", b"second"), (b"ispe", b"first")]


@pytest.mark.parametrize(
    "data",
    [
        b"\0\0\0",
        struct.pack(">I4s", 4, b"meta"),
        struct.pack(">I4s", 99, b"meta"),
        struct.pack(">I4sQ", 1, b"meta", 2**63),
        full(b"meta", 0, full(b"iloc", 2, bytes([0x44, 0]) + struct.pack(">I", 2**31))),
        full(b"meta", 0, full(b"iloc", 0, bytes([0x44, 0]) + struct.pack(">H", 9))),
        full(b"meta", 0, box(b"iprp", full(b"ipma", 0, struct.pack(">I", 2**31)))),
        full(b"meta", 0, full(b"iref", 0, box(b"dimg", struct.pack(">HH", 1, 60000)))),
        full(b"meta", 0, full(b"pitm", 0, b"")),
    ],
)
def test_boxes_that_lie_are_told(data: bytes) -> None:
    with pytest.raises(BadBoxes):
        items(data)


def test_tiles_that_lie_upon_each_other_are_told_before_they_are_read(tmp_path: Path) -> None:
    """20,000 tiles over the whole of a large file would be a bomb; the same tile twice in a grid is none."""
    path = heic(tmp_path / "a.heic", noise(64, 64, bits=8))
    with mapped(path, tmp_path) as source:
        found = items(source.data)
        (setup,) = (n for n in found.owned[found.primary] if found.properties[n][0] == b"hvcC")
        (coded,) = found.extents[found.primary]
        for item, parts in ((8, [coded]), (9, [(coded[0] + 1, coded[1])])):
            found.types[item], found.owned[item], found.extents[item] = b"hvc1", [setup], parts
        heif._check_data(source, found, (found.primary, 8))
        with pytest.raises(BadBoxes, match="upon each other"):
            heif._check_data(source, found, (found.primary, 9))
        found.owned[8] = []
        with pytest.raises(BadBoxes, match="how it is coded"):
            heif._check_data(source, found, (8,))


def test_references_go_from_a_grid_to_its_tiles() -> None:
    found = Items()
    found.references[b"dimg"] = [(1, (2, 3, 4))]
    assert found.referred(b"dimg", 1) == (2, 3, 4)
    assert found.referred(b"dimg", 2) == ()


def test_a_share_that_goes_stale_while_it_is_read_is_not_the_pictures_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = heic(tmp_path / "a.heic", scene())

    def stale(*_: object, **__: object) -> None:
        raise OSError(errno.ESTALE, "Stale file handle")

    monkeypatch.setattr(pillow_heif, "open_heif", stale)
    with pytest.raises(OSError, match="Stale"):
        opened(path)
