"""Another number of pixels: exact sizes, exact flats, light where it counts, and no halo."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
from tests.steps.sheet_kit import flat, image, pixels_of, scene

from drydown.demo.paper import pearl_profile
from drydown.imaging.light import light_of
from drydown.imaging.pcs import lab_from_xyz
from drydown.imaging.resize import resized
from drydown.imaging.working import grey_srgb, oprgb, srgb, wide_gamut

SIZES = [(1200, 900), (808, 612), (806, 614), (700, 530), (400, 300), (133, 100), (50, 40)]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("value", [65535, 12345, 77, 0])
def test_a_flat_field_keeps_its_value_to_the_code_at_every_size(size: tuple[int, int], value: int) -> None:
    done = pixels_of(resized(flat(807, 613, value), srgb(), *size).pixels)
    assert done.shape == (size[1], size[0], 3)
    assert (done == value).all()


def test_the_same_size_passes_untouched() -> None:
    picture = scene(90, 60)
    done = resized(picture, srgb(), 90, 60)
    assert done.how == "untouched"
    assert done.pixels is picture


@pytest.mark.parametrize(
    ("width", "how"), [(1000, "enlarged"), (640, "reduced"), (534, "reduced"), (530, "reduced in light")]
)
def test_only_a_reduction_beyond_one_and_a_half_is_done_in_light(width: int, how: str) -> None:
    assert resized(scene(800, 600), srgb(), width, round(width * 0.75)).how == how


def test_fine_black_and_white_lines_reduced_keep_half_the_light() -> None:
    """Half of the light is L* 76.07 by the formula of CIE 15; averaged at gamma 1.8 it would be L* 60.5."""
    lines = np.zeros((300, 400, 3), np.uint16)
    lines[:, ::2] = 65535
    done = pixels_of(resized(image(lines), wide_gamut(), 200, 150).pixels)[75, 100]
    Y = (done[0] / 65535) ** 1.8
    L_star = lab_from_xyz(np.array([0.9642, 1.0, 0.8249]) * Y)[0]
    assert L_star == pytest.approx(76.07, abs=0.02)


def _edge(width: int, low: int, high: int) -> tuple[int, int]:
    edge = np.full((200, 807, 3), low, np.uint16)
    edge[:, 403:] = high
    done = pixels_of(resized(image(edge), srgb(), width, round(width / 807 * 200)).pixels)
    return int(done.min()), int(done.max())


@pytest.mark.parametrize("width", [2400, 1200, 850])
def test_an_enlarged_edge_gains_no_halo(width: int) -> None:
    assert _edge(width, 16000, 48000) == (16000, 48000)


@pytest.mark.parametrize("width", [806, 700, 600, 540, 400, 300, 133, 61])
def test_a_reduced_edge_overshoots_by_no_more_than_cubic_convolution_does(width: int) -> None:
    """Keys' kernel overshoots a step by at most 7.4 % (its running sum peaks at 1 + 2/27); we allow 8 % for the places read at 64ths."""
    low, high = _edge(width, 16000, 48000)
    assert low >= 16000 - 0.08 * 32000
    assert high <= 48000 + 0.08 * 32000


@pytest.mark.parametrize("width", [1200, 700, 300])
def test_nothing_leaves_the_range_of_sixteen_bits(width: int) -> None:
    assert _edge(width, 0, 65535) == (0, 65535)


@pytest.mark.parametrize("width", [1100, 701, 333, 97])
def test_the_centres_of_pixels_keep_their_place(width: int) -> None:
    """On a ramp the value tells the place: new pixel x lies at (x + 1/2) / scale - 1/2."""
    step = 60.0
    ramp = np.tile((1000 + step * np.arange(800))[np.newaxis, :, np.newaxis], (40, 1, 3))
    done = pixels_of(resized(image(np.round(ramp)), None, width, 30).pixels)[15, :, 0].astype(float)
    wanted = 1000 + step * ((np.arange(width) + 0.5) * 800 / width - 0.5)
    # the light of a ramp is bent, so its average over many pixels lies a little higher; a shift of half a pixel would be 30 codes
    inner = slice(8, -8)
    assert np.abs(done - wanted)[inner].max() < (6 if width > 533 else 15)


@pytest.mark.parametrize("width", [1000, 650, 380, 120])
def test_mirroring_before_and_after_is_the_same(width: int) -> None:
    picture = scene(800, 200)
    one = pixels_of(resized(picture, srgb(), width, 50).pixels).astype(int)
    other = pixels_of(resized(picture.fliphor(), srgb(), width, 50).pixels.fliphor()).astype(int)
    # places are read at 64ths of a pixel; 800 pixels make no whole number of blocks of three, so that 120 come out half a source pixel off
    assert np.abs(one - other).max() <= (700 if width == 120 else 150)
    assert np.abs(one - other).mean() < (200 if width == 120 else 1)


@pytest.mark.parametrize("cycles", [0.125, 0.25, 0.375])
@pytest.mark.parametrize("ratio", [1.25, 1.45, 1.7, 2.6])
def test_a_reduction_keeps_the_contrast_of_fine_texture(cycles: float, ratio: float) -> None:
    """As cubic convolution does (Keys 1981): 0.99, 0.93 and 0.76 of it at 1/8, 1/4 and 3/8 cycle a new pixel."""
    x = np.arange(4000)
    wave = 32768 + 3000 * np.sin(2 * np.pi * cycles / ratio * x)
    rows = np.tile(np.round(wave)[np.newaxis, :, np.newaxis], (64, 1, 1))
    done = pixels_of(resized(image(rows), grey_srgb(), round(4000 / ratio), round(64 / ratio)).pixels)
    left = done[12, 50:-50, 0].astype(float).std() * 2**0.5 / 3000
    assert left == pytest.approx({0.125: 0.99, 0.25: 0.93, 0.375: 0.76}[cycles], abs=0.02)


def test_invisible_colour_does_not_bleed_into_what_is_seen() -> None:
    half = np.zeros((200, 300, 4), np.uint16)
    half[:, :150] = (50000, 20000, 10000, 65535)
    half[:, 150:] = (0, 65535, 0, 0)
    for size in ((450, 300), (250, 167), (120, 80)):
        done = pixels_of(resized(image(half), srgb(), *size).pixels)
        seen = done[done[..., 3] > 1500]
        assert done.shape[2] == 4
        assert np.abs(seen[:, :3] / (50000, 20000, 10000) - 1).max() <= 0.005


def test_ink_is_averaged_as_coverage() -> None:
    lines = np.zeros((200, 300, 4), np.uint16)
    lines[:, ::2] = 60000
    done = resized(image(lines, kind="cmyk"), None, 150, 100)
    assert "ink coverage" in done.text
    assert np.abs(pixels_of(done.pixels)[50, 75].astype(int) - 30000).max() <= 1
    assert done.pixels.interpretation == "cmyk"


@pytest.mark.parametrize("icc", [srgb, wide_gamut, oprgb, pearl_profile])
def test_light_and_back_keeps_every_value_above_black(icc: object) -> None:
    light = light_of(icc(), 3)  # type: ignore[operator]
    assert light is not None
    codes = np.arange(65536).reshape(1, -1, 1)
    back = pixels_of(light.encode(light.decode(image(codes, kind="grey16")))).ravel().astype(int)
    assert back[0] == 0
    assert back[-1] == 65535
    # below, sixteen bits of a profile's own curve hold neighbouring values to be the same black
    assert np.abs(back - codes.ravel())[4000:].max() <= 2


def test_a_file_of_many_rows_is_read_once_and_in_order(tmp_path: Path) -> None:
    source = tmp_path / "source.tif"
    scene(900, 620).replicate(1, 7).crop(0, 0, 900, 4000).tiffsave(str(source))
    for width in (970, 690, 346, 160):
        opened = pyvips.Image.new_from_file(str(source), access="sequential", revalidate=True)
        made = tmp_path / f"{width}.tif"
        done = resized(opened, srgb(), width, round(width * 40 / 9)).pixels
        done.gaussblur(1).cast("ushort").tiffsave(str(made))  # raises where a row is asked for that is gone
        assert pyvips.Image.new_from_file(str(made)).width == width


@pytest.mark.parametrize(("width", "height"), [(342, 576), (380, 640), (285, 480), (247, 416)])
def test_a_region_of_an_enlarged_picture_equals_the_same_region_of_the_whole(width: int, height: int) -> None:
    rng = np.random.default_rng(3)
    source = pyvips.Image.new_from_array(rng.integers(0, 65536, (320, 190, 3), dtype=np.uint16))
    source = source.copy(interpretation="rgb16")
    whole = resized(source, None, width, height).pixels.numpy()
    for left, top in ((0, 0), (7, 11), (100, 201), (width - 60, height - 50)):
        piece = resized(source, None, width, height).pixels.crop(left, top, 60, 50).numpy()
        assert np.array_equal(whole[top : top + 50, left : left + 60], piece)
