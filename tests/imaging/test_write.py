"""The written sheet: its bits, tags and profile, and a dither that leaves bare paper bare."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
import tifffile
from tests.steps.sheet_kit import Array, flat, frame_of, image, pixels_of, scene

from drydown.api import Box, Finished
from drydown.demo.paper import pearl_profile
from drydown.imaging.dither import to_8_bits
from drydown.imaging.write import write_sheet


def written(path: Path, made: pyvips.Image, *, ppi: float = 360, **finished: Any) -> Path:
    out = path / "sheet.tif"
    write_sheet(Finished(frame=frame_of(made), **finished), out, ppi=ppi, icc=pearl_profile())
    return out


def test_sixteen_bits_come_back_as_they_went(tmp_path: Path) -> None:
    picture = scene(301, 203)
    assert (tifffile.imread(written(tmp_path, picture)) == pixels_of(picture)).all()


@pytest.mark.parametrize("compression", ["none", "lzw", "zip"])
@pytest.mark.parametrize("bits", [8, 16])
def test_compression_loses_nothing(tmp_path: Path, compression: str, bits: int) -> None:
    picture = scene(301, 203)
    read = pyvips.Image.new_from_file(
        str(written(tmp_path, picture, compression=compression, bits=bits)), revalidate=True
    )
    wanted = picture if bits == 16 else to_8_bits(picture, None)
    assert (pixels_of(read) == pixels_of(wanted)).all()


@pytest.mark.parametrize("ppi", [300, 360, 600, 720])
def test_the_resolution_is_exact_and_in_inches(tmp_path: Path, ppi: int) -> None:
    with tifffile.TiffFile(written(tmp_path, flat(30, 20), ppi=ppi)) as tiff:
        tags = tiff.pages[0].tags
        assert tags["XResolution"].value == (ppi, 1)
        assert tags["YResolution"].value == (ppi, 1)
        assert tags["ResolutionUnit"].value == 2


def test_the_stocks_profile_is_embedded_byte_for_byte(tmp_path: Path) -> None:
    with tifffile.TiffFile(written(tmp_path, flat(30, 20))) as tiff:
        assert bytes(tiff.pages[0].tags["InterColorProfile"].value) == pearl_profile()


def test_nothing_of_the_sources_metadata_gets_into_the_sheet(tmp_path: Path) -> None:
    told = flat(30, 20).copy()
    told.set_type(pyvips.GValue.gstr_type, "exif-ifd0-Artist", "A Name")
    told.set_type(pyvips.GValue.gstr_type, "image-description", "A Place")
    told.set_type(pyvips.GValue.blob_type, "xmp-data", b"<x:xmpmeta>A Place</x:xmpmeta>")
    told.set_type(pyvips.GValue.blob_type, "iptc-data", b"A Name")
    content = written(tmp_path, told).read_bytes()
    for trace in (b"A Name", b"A Place", b"xmpmeta"):
        assert trace not in content
    with tifffile.TiffFile(tmp_path / "sheet.tif") as tiff:
        names = {tag.name for tag in tiff.pages[0].tags.values()}
    assert not names & {
        "Software",
        "DateTime",
        "Artist",
        "ImageDescription",
        "XMP",
        "IPTCNAA",
        "HostComputer",
    }


def test_the_same_sheet_is_written_to_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "again").mkdir()
    first = written(tmp_path, scene(120, 90), bits=8, picture=Box(10, 10, 100, 70)).read_bytes()
    second = written(tmp_path / "again", scene(120, 90), bits=8, picture=Box(10, 10, 100, 70)).read_bytes()
    assert first == second


def test_alpha_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="without alpha"):
        written(tmp_path, image(np.zeros((4, 4, 4)), kind="rgb16"))


def test_beyond_four_gigabytes_the_file_is_a_big_tiff(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drydown.imaging.write._CLASSIC_LIMIT_BYTES", 30 * 20 * 6 - 1)
    with tifffile.TiffFile(written(tmp_path, flat(30, 20))) as tiff:
        assert tiff.is_bigtiff


# eight bits


def all_values() -> Array:
    return np.repeat(np.arange(65536).reshape(256, 256, 1), 3, axis=2)


def test_each_value_becomes_one_of_the_two_codes_beside_it() -> None:
    values = all_values()
    done = pixels_of(to_8_bits(image(values), Box(0, 0, 256, 256))).astype(int)
    assert (np.abs(done * 257 - values) < 257).all()


def test_what_eight_bits_can_hold_exactly_stays_exact() -> None:
    codes = np.repeat(np.arange(256)[np.newaxis, :, np.newaxis], 600, axis=0) * np.ones((1, 1, 3), int)
    done = pixels_of(to_8_bits(image(codes * 257), Box(0, 0, 256, 600)))
    assert (done == codes).all()


@pytest.mark.parametrize("value", [1, 100, 128, 200, 30001, 65534])
def test_the_dither_is_right_on_average(value: int) -> None:
    """Over one tile of noise each value comes out right to the hundred-thousandth of a code: its noise holds each amount equally often."""
    done = pixels_of(to_8_bits(flat(257, 257, value), Box(0, 0, 257, 257)))
    for channel in range(3):
        assert done[..., channel].mean() * 257 == pytest.approx(value, abs=1e-6)


def test_the_channels_are_dithered_apart() -> None:
    done = pixels_of(to_8_bits(flat(257, 257, 30001), Box(0, 0, 257, 257))).astype(float)
    for one, other in ((0, 1), (1, 2), (0, 2)):
        assert abs(np.corrcoef(done[..., one].ravel(), done[..., other].ravel())[0, 1]) < 0.02


def test_a_slow_ramp_has_no_bands() -> None:
    """Averaged over a neighbourhood, a ramp over three codes stays straight within a twentieth of a code; rounded, it has steps of one."""
    ramp = np.repeat(np.repeat(np.linspace(30000, 30771, 514)[np.newaxis, :, np.newaxis], 257, 0), 3, 2)
    box = Box(0, 0, 514, 257)
    done = pixels_of(to_8_bits(image(np.round(ramp)), box))[..., 0].mean(axis=0)
    rounded = pixels_of(to_8_bits(image(np.round(ramp)), None))[..., 0].mean(axis=0)
    wanted = ramp[0, :, 0] / 257
    smooth = np.convolve(done - wanted, np.ones(16) / 16, "valid")
    stepped = np.convolve(rounded - wanted, np.ones(16) / 16, "valid")
    assert np.abs(smooth).max() < 0.05
    assert np.abs(stepped).max() > 0.4


def test_the_white_border_of_an_eight_bit_sheet_has_one_value(tmp_path: Path) -> None:
    sheet = scene(200, 150).embed(50, 40, 300, 230, extend="background", background=[65535] * 3)
    read = tifffile.imread(written(tmp_path, sheet, bits=8, picture=Box(50, 40, 200, 150)))
    border = np.ones((230, 300), bool)
    border[40:190, 50:250] = False
    assert (read[border] == 255).all()


def test_lettering_and_charts_outside_the_picture_are_not_dithered() -> None:
    done = pixels_of(to_8_bits(flat(400, 300, 30001), Box(100, 100, 50, 50)))
    outside = np.ones((300, 400), bool)
    outside[100:150, 100:150] = False
    assert set(np.unique(done[outside])) == {117}
    assert set(np.unique(done[~outside])) == {116, 117}


def test_the_noise_is_anchored_at_the_pictures_corner() -> None:
    one = pixels_of(to_8_bits(flat(400, 300, 30001), Box(10, 20, 300, 200)))[20:220, 10:310]
    other = pixels_of(to_8_bits(flat(500, 400, 30001), Box(77, 33, 300, 200)))[33:233, 77:377]
    assert (one == other).all()
