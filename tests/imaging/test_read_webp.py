"""WebP (RFC 9649)."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from read_makers import exif_block, expanded, noise, opened, riff, scene

from drydown.errors import Refusal
from drydown.imaging import working


def put(tmp_path: Path, codes: np.ndarray, **options: object) -> Path:
    path = tmp_path / "a.webp"
    Image.fromarray(codes).save(path, "WEBP", **({"lossless": True, "exact": True} | options))
    return path


@pytest.mark.parametrize("bands", [3, 4])
def test_every_code_is_kept(tmp_path: Path, bands: int) -> None:
    codes = noise(bands=bands, bits=8)
    picture, seen = opened(put(tmp_path, codes))
    np.testing.assert_array_equal(seen, expanded(codes))
    assert picture.facts["alpha"] is (bands == 4)


def test_a_lossy_picture_comes_close(tmp_path: Path) -> None:
    codes = scene()
    picture, seen = opened(put(tmp_path, codes, lossless=False, quality=95))
    assert np.abs(seen - expanded(codes)).mean() < 3 * 257
    assert (picture.facts["width"], picture.facts["height"]) == (64, 48)


def test_profile_and_orientation_are_found(tmp_path: Path) -> None:
    codes = noise(bits=8)
    icc = working.wide_gamut()
    path = put(tmp_path, np.rot90(codes, 1).copy(), icc_profile=icc, exif=exif_block(6))
    picture, seen = opened(path)
    np.testing.assert_array_equal(seen, expanded(codes))
    assert picture.icc == icc


def test_an_animation_is_refused(tmp_path: Path) -> None:
    frames = [Image.fromarray(noise(bits=8, seed=seed)) for seed in (1, 2)]
    path = tmp_path / "a.webp"
    frames[0].save(path, save_all=True, append_images=frames[1:])
    with pytest.raises(Refusal, match="animated WebP"):
        opened(path)


@pytest.mark.parametrize("lossless", [True, False])
def test_every_cut_is_refused(tmp_path: Path, lossless: bool) -> None:
    data = put(tmp_path, scene(), lossless=lossless).read_bytes()
    path = tmp_path / "cut.webp"
    for length in range(12, len(data), 7):
        path.write_bytes(data[:length])
        with pytest.raises(Refusal):
            opened(path)


def test_a_file_whose_pixels_are_missing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.webp"
    for data in (riff((b"ICCP", working.srgb())), riff((b"VP8 ", b"no header at all"))):
        path.write_bytes(data)
        with pytest.raises(Refusal, match="damaged or not whole"):
            opened(path)


def test_pixels_that_end_in_zeros_are_refused(tmp_path: Path) -> None:
    data = put(tmp_path, noise(200, 200, bits=8)).read_bytes()
    path = tmp_path / "zeros.webp"
    path.write_bytes(data[:-1500] + bytes(1500))
    with pytest.raises(Refusal, match="ends in zero bytes"):
        opened(path)


def test_the_limit_of_pixels_counts_before_decoding(tmp_path: Path) -> None:
    out = io.BytesIO()
    Image.new("RGB", (3000, 3000)).save(out, "WEBP", lossless=True)
    path = tmp_path / "a.webp"
    path.write_bytes(out.getvalue())
    with pytest.raises(Refusal, match="9 megapixels"):
        opened(path, max_pixels=8_000_000)
