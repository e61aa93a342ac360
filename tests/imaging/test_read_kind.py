"""The format is told by content; what is not on the list is refused by what it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from read_makers import jpeg_bytes, noise, opened, png_bytes, psd_bytes, riff, said, scene

from drydown.errors import Refusal


def put(tmp_path: Path, name: str, data: bytes) -> Path:
    path = tmp_path / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"GIF89a" + bytes(40), "is a GIF"),
        (b"BM" + bytes(60), "is a BMP"),
        (b"%PDF-1.7\n" + bytes(40), "is a PDF"),
        (b"%!PS-3.0 EPSF-3.0\n", "is a PostScript"),
        (b"\xc5\xd0\xd3\xc6" + bytes(40), "is an EPS"),
        (b'<?xml version="1.0"?>\n<svg width="9"/>', "is an SVG"),
        (b"\xef\xbb\xbf  <svg width='9'/>", "is an SVG"),
        (b"\xff\x0a" + bytes(40), "is a JPEG XL"),
        (b"\0\0\0\x0cJXL \r\n\x87\n" + bytes(40), "is a JPEG XL"),
        (b"\0\0\0\x0cjP  \r\n\x87\n" + bytes(40), "is a JPEG 2000"),
        (b"v/1\x01" + bytes(40), "is an OpenEXR"),
        (b"PK\x03\x04" + bytes(40), "is a ZIP archive"),
        (b"<!doctype HTML><p>", "is a web page"),
        (b"IIRO" + bytes(40), "camera raw"),
        (b"\0\0\0\x18ftypcrx " + bytes(40), "camera raw"),
        (bytes(4096), "begins with zero bytes"),
        (b"Dear Sir or Madam, the pictures", "no picture of a kind that is read here"),
    ],
)
@pytest.mark.parametrize("name", ["a.jpg", "a.tif", "a"])
def test_what_is_no_photograph_is_named_whatever_it_is_called(
    tmp_path: Path, name: str, data: bytes, words: str
) -> None:
    with pytest.raises(Refusal, match=words) as caught:
        opened(put(tmp_path, name, data))
    assert caught.value.sentence.startswith(name)
    assert caught.value.sentence.endswith(".") or "export" in caught.value.sentence.lower()


def test_an_unknown_file_with_a_raw_ending_is_taken_for_camera_raw(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match="camera raw"):
        opened(put(tmp_path, "a.X3F", b"something else entirely"))


@pytest.mark.parametrize("ending", ["jpg", "JPEG", "png", "tif", "webp", "heic", "psd", "txt", ""])
def test_the_content_decides_and_a_wrong_ending_is_noted(tmp_path: Path, ending: str) -> None:
    name = f"a.{ending}" if ending else "a"
    picture, seen = opened(put(tmp_path, name, jpeg_bytes(scene())))
    assert picture.facts["format"] == "JPEG"
    assert seen.shape == (48, 64, 3)
    assert ("the content is JPEG" in said(picture)) is (ending.lower() not in ("jpg", "jpeg"))


def test_every_format_may_carry_anothers_ending(tmp_path: Path) -> None:
    Image.fromarray(noise(bits=8)).save(tmp_path / "real.webp", lossless=True)
    files = {
        "PNG": png_bytes(noise()),
        "PSD": psd_bytes(noise(bits=8).transpose(2, 0, 1), mode=3),
        "WebP": (tmp_path / "real.webp").read_bytes(),
    }
    for kind, data in files.items():
        picture, _ = opened(put(tmp_path, "a.jpg", data))
        assert picture.facts["format"] == kind
        assert f"the content is {kind}" in said(picture)


def test_a_riff_that_is_no_picture_is_refused(tmp_path: Path) -> None:
    data = riff((b"fmt ", bytes(16))).replace(b"WEBP", b"WAVE")
    with pytest.raises(Refusal, match="no picture of a kind"):
        opened(put(tmp_path, "a.webp", data))


def test_a_name_cannot_steer_a_terminal_or_forge_a_line(tmp_path: Path) -> None:
    path = put(tmp_path, "a\x1b[2J\n\u202eb.jpg", b"nothing")
    with pytest.raises(Refusal) as caught:
        opened(path)
    assert caught.value.sentence.isprintable()


def test_a_missing_file_is_the_machines_matter(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        opened(tmp_path / "gone.jpg")


def test_rows_are_read_in_any_order_at_random_access(tmp_path: Path) -> None:
    codes = noise(200, 60, bits=8)
    from drydown.imaging.read import open_picture

    path = put(tmp_path, "a.png", png_bytes(codes))
    pixels = open_picture(path, untagged="srgb", access="random", max_pixels=10**6, scratch=tmp_path).pixels
    for top in (150, 0, 90):
        region = pixels.crop(0, top, 60, 20)
        seen = np.ndarray((20, 60, 3), np.uint16, region.write_to_memory())
        np.testing.assert_array_equal(seen, codes[top : top + 20].astype(int) * 257)
