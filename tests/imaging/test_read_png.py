"""PNG (W3C PNG, third edition): depths, stated colour, animation, and files that are not whole."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from read_makers import exif_block, expanded, noise, opened, png_bytes, png_chunk, said, vips_of

from drydown.errors import Hold, Refusal
from drydown.imaging import working
from drydown.imaging.icc import inspect
from drydown.imaging.icc_exact import device_to_lab


def put(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "a.png"
    path.write_bytes(data)
    return path


def iccp(icc: bytes) -> tuple[bytes, bytes]:
    return b"iCCP", b"name\0\0" + zlib.compress(icc)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("bands", [1, 2, 3, 4])
def test_every_code_of_every_kind_is_kept(tmp_path: Path, bands: int, bits: int) -> None:
    codes = noise(bands=bands, bits=bits)
    picture, seen = opened(put(tmp_path, png_bytes(codes)))
    np.testing.assert_array_equal(seen, expanded(codes))
    assert picture.facts["alpha"] is (bands in (2, 4))
    assert picture.facts["bits"] == bits


@pytest.mark.parametrize("bits", [1, 2, 4])
def test_low_depths_are_expanded_to_the_whole_range(tmp_path: Path, bits: int) -> None:
    codes = np.random.default_rng(3).integers(0, 2**bits, (16, 24), dtype=np.uint8)
    _, seen = opened(put(tmp_path, png_bytes(codes, bits=bits)))
    np.testing.assert_array_equal(seen[:, :, 0], codes.astype(int) * 65535 // (2**bits - 1))


def test_a_palette_is_looked_up(tmp_path: Path) -> None:
    codes = noise(bands=1, bits=8)
    palette = np.random.default_rng(2).integers(0, 256, (256, 3), dtype=np.uint8)
    _, seen = opened(put(tmp_path, png_bytes(codes, palette=palette.tobytes())))
    np.testing.assert_array_equal(seen, expanded(palette[codes]))


def test_an_interlaced_picture_is_read_in_order(tmp_path: Path) -> None:
    codes = noise(bits=8)
    path = tmp_path / "a.png"
    vips_of(codes).pngsave(str(path), interlace=True)
    np.testing.assert_array_equal(opened(path)[1], expanded(codes))


def test_the_embedded_profile_is_handed_over_byte_for_byte(tmp_path: Path) -> None:
    icc = working.wide_gamut()
    picture, _ = opened(put(tmp_path, png_bytes(noise(), iccp(icc))))
    assert picture.icc == icc
    assert picture.notes == ()


@pytest.mark.parametrize(
    ("chunk", "words"),
    [
        ((b"iCCP", b"name\0\0" + zlib.compress(bytes(9_000_000))), "unpacks to more than 8 MB"),
        ((b"iCCP", b"name\0\0" + zlib.compress(working.srgb())[:-20]), "damaged colour profile"),
        ((b"iCCP", b"name\0\0no zlib at all"), "damaged colour profile"),
        ((b"iCCP", b""), "damaged colour profile"),
    ],
)
def test_a_profile_that_does_not_unpack_is_refused(
    tmp_path: Path, chunk: tuple[bytes, bytes], words: str
) -> None:
    with pytest.raises(Refusal, match=words):
        opened(put(tmp_path, png_bytes(noise(), chunk)))


def test_an_srgb_chunk_counts_as_a_profile(tmp_path: Path) -> None:
    picture, _ = opened(put(tmp_path, png_bytes(noise(), (b"sRGB", b"\0"))), untagged="hold")
    assert picture.icc == working.srgb()
    assert picture.facts["profile_from"] == "stated"
    assert [note.level for note in picture.notes] == ["note"]
    grey, _ = opened(put(tmp_path, png_bytes(noise(bands=1), (b"sRGB", b"\0"))), untagged="hold")
    assert grey.icc == working.grey_srgb()


def test_gamma_and_chromaticities_of_srgb_are_only_a_hint(tmp_path: Path) -> None:
    places = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
    path = put(tmp_path, png_bytes(noise(), (b"gAMA", struct.pack(">I", 45455)), (b"cHRM", places)))
    assert opened(path)[0].icc == working.srgb()
    with pytest.raises(Hold):
        opened(path, untagged="hold")


def test_linear_light_is_taken_for_linear_light(tmp_path: Path) -> None:
    """Half the light is L* 76.07 (CIE 15: 116 · 0.5^(1/3) − 16), not sRGB's L* 53.39."""
    picture, _ = opened(
        put(tmp_path, png_bytes(noise(), (b"gAMA", struct.pack(">I", 100_000)))), untagged="hold"
    )
    lightness = device_to_lab(picture.icc, np.full((1, 3), 0.5))[0, 0]
    assert abs(lightness - 76.069) < 0.05
    grey, _ = opened(put(tmp_path, png_bytes(noise(bands=1), (b"gAMA", struct.pack(">I", 100_000)))))
    assert inspect(grey.icc).colour_space == "GRAY"


def test_other_chromaticities_make_a_profile_of_their_own(tmp_path: Path) -> None:
    """ROMM's numbers (ISO 22028-2): white D50, so nothing is adapted; its red reaches the same XYZ as our wide space's."""
    places = struct.pack(">8I", 34570, 35850, 73470, 26530, 15960, 84040, 3660, 10)
    path = put(tmp_path, png_bytes(noise(), (b"gAMA", struct.pack(">I", 55_556)), (b"cHRM", places)))
    picture, _ = opened(path)
    red = np.array([[1.0, 0, 0]])
    np.testing.assert_allclose(
        device_to_lab(picture.icc, red), device_to_lab(working.wide_gamut(), red), atol=0.1
    )


def test_chromaticities_that_describe_nothing_are_refused(tmp_path: Path) -> None:
    for places in ((0,) * 8, (31270, 32900) + (30000, 30000) * 3):
        path = put(tmp_path, png_bytes(noise(), (b"cHRM", struct.pack(">8I", *places))))
        with pytest.raises(Refusal, match="describe no colour space"):
            opened(path)


def test_code_points_come_before_everything_else(tmp_path: Path) -> None:
    """cICP 12, 13: P3 with sRGB's curve (ITU-T H.273); its green lies beyond sRGB's."""
    path = put(tmp_path, png_bytes(noise(), (b"cICP", bytes([12, 13, 0, 1])), iccp(working.srgb())))
    picture, _ = opened(path)
    assert "P3" in picture.facts["profile"]
    green = np.array([[0, 1.0, 0]])
    wide, plain = device_to_lab(picture.icc, green)[0], device_to_lab(working.srgb(), green)[0]
    assert np.hypot(*wide[1:]) > np.hypot(*plain[1:]) + 5


@pytest.mark.parametrize(("transfer", "words"), [(16, "PQ"), (18, "HLG")])
def test_a_high_dynamic_range_picture_is_refused(tmp_path: Path, transfer: int, words: str) -> None:
    path = put(tmp_path, png_bytes(noise(), (b"cICP", bytes([9, transfer, 0, 1]))))
    with pytest.raises(Refusal, match=f"high-dynamic-range screen \\({words}\\)"):
        opened(path)


@pytest.mark.parametrize("prefix", [b"", b"Exif\0\0"])
def test_orientation_in_an_exif_chunk_is_applied(tmp_path: Path, prefix: bytes) -> None:
    codes = noise()
    stored = np.rot90(codes, 1).copy()
    _, seen = opened(put(tmp_path, png_bytes(stored, (b"eXIf", prefix + exif_block(6)))))
    np.testing.assert_array_equal(seen, codes)


def test_an_animation_is_refused_and_one_frame_is_none(tmp_path: Path) -> None:
    frames = [Image.fromarray(noise(bits=8, seed=seed)) for seed in (1, 2)]
    out = io.BytesIO()
    frames[0].save(out, "PNG", save_all=True, append_images=frames[1:])
    with pytest.raises(Refusal, match="animated PNG"):
        opened(put(tmp_path, out.getvalue()))
    one = png_bytes(noise(), (b"acTL", struct.pack(">II", 1, 0)))
    opened(put(tmp_path, one))


def test_a_wrong_check_sum_is_refused_where_it_matters_here(tmp_path: Path) -> None:
    data = png_bytes(noise(), iccp(working.srgb()))
    place = data.index(b"iCCP") + 40
    path = put(tmp_path, data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
    with pytest.raises(Refusal, match="check sum of its iCCP chunk"):
        opened(path)


def test_a_file_without_its_end_mark_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match="before its end mark"):
        opened(put(tmp_path, png_bytes(noise())[:-12]))


def test_a_bomb_is_stopped_by_its_header(tmp_path: Path) -> None:
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 30000, 30000, 8, 2, 0, 0, 0))
    data = (
        b"\x89PNG\r\n\x1a\n"
        + header
        + png_chunk(b"IDAT", zlib.compress(bytes(1000)))
        + png_chunk(b"IEND", b"")
    )
    with pytest.raises(Refusal, match="900 megapixels"):
        opened(put(tmp_path, data))


def test_text_in_the_file_goes_no_further_whatever_its_letters(tmp_path: Path) -> None:
    """Keywords are Latin-1 (11.3.3.2), and no reason to fail."""
    codes = noise()
    texts = [
        (b"tEXt", b"caf\xe9\0where"),
        (b"tEXt", b"Author\0who"),
        (b"tIME", bytes([7, 230, 1, 1, 1, 1, 1])),
    ]
    picture, seen = opened(put(tmp_path, png_bytes(codes, *texts)))
    np.testing.assert_array_equal(seen, codes)
    # libvips' own header, with the path it reads from; it is written to no file
    core = {"width", "height", "bands", "format", "coding", "interpretation"}
    core |= {"xoffset", "yoffset", "xres", "yres", "filename"}
    assert {name for name in picture.pixels.get_fields() if not name.startswith("vips-")} == core


def test_a_hint_is_said_in_the_note(tmp_path: Path) -> None:
    picture, _ = opened(put(tmp_path, png_bytes(noise(), (b"eXIf", exif_block(1, colour_space=1)))))
    assert "EXIF block says sRGB" in said(picture)
