"""The demo's pictures are the kinds of file that they say they are, and the same every time."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from imagecodecs import cms_transform
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps
from psd_tools import PSDImage
from psd_tools.constants import Resource

from drydown.demo import pictures
from drydown.demo.pictures import PICTURES, DemoPicture, make_pictures
from drydown.demo.scenes.files import PsdLayer, flatten, write_psd16, write_tiff16
from drydown.demo.scenes.light import film_curve, srgb_encode
from drydown.demo.scenes.primaries import bt2020_to_romm, romm_encode, romm_to_srgb
from drydown.errors import Refusal
from drydown.imaging.read import open_picture
from drydown.imaging.working import grey_srgb, srgb, wide_gamut

SCALE = 0.1

GOOD = [picture for picture in PICTURES if picture.expect == "completed"]
REFUSED = [picture for picture in PICTURES if picture.expect == "refused"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    into = tmp_path_factory.mktemp("shoreline")
    make_pictures(into, scale=SCALE)
    yield into


def shown(path: Path) -> NDArray[np.float64]:
    """What a viewer sees, encoded 0..1, shape (height, width, channels)."""
    if path.suffix == ".psd":
        return np.asarray(PSDImage.open(io.BytesIO(path.read_bytes())).numpy(), np.float64)
    if path.name == "01-evening-tide.tif":
        return tifffile.imread(path) / 65535
    image = ImageOps.exif_transpose(opened(path))
    values = np.asarray(image, np.float64) / (65535 if image.mode == "I;16" else 255)
    return values if values.ndim == 3 else values[..., None]


def opened(path: Path) -> Image.Image:
    """Read from memory, so that no test leaves a file open."""
    return Image.open(io.BytesIO(path.read_bytes()))


def romm_light(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """ISO 22028-2, 4.3."""
    return np.where(encoded < 16 / 512, encoded / 16, encoded**1.8)


# What there is


def test_the_portfolio_has_eight_to_ten_good_pictures_and_two_to_refuse() -> None:
    assert 8 <= len(GOOD) <= 10
    assert len(REFUSED) == 2
    assert {picture.hot_folder for picture in GOOD} == {"final", "small"}
    assert len({picture.name for picture in PICTURES}) == len(PICTURES)
    assert all(picture.about for picture in PICTURES)


def test_every_picture_is_written_and_listed_in_order(folder: Path) -> None:
    names = [picture.name for picture in PICTURES]
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)


def test_only_what_is_asked_for_is_made_and_told(tmp_path: Path) -> None:
    told: list[str] = []
    wanted = {"11-shot-list.jpg", "09-old-groyne.jpg"}
    made = make_pictures(tmp_path / "new", scale=0.05, only=wanted, progress=told.append)
    assert [path.name for path in made] == ["09-old-groyne.jpg", "11-shot-list.jpg"]
    assert set(told) == wanted
    assert {path.name for path in (tmp_path / "new").iterdir()} == wanted


def test_a_name_that_is_not_there_is_said_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(
        ValueError, match=r"no demo picture is called 99-none\.jpg; there are 01-evening-tide\.tif"
    ):
        make_pictures(tmp_path, only=["99-none.jpg"])
    with pytest.raises(ValueError, match="scale is 0; it must be above 0"):
        make_pictures(tmp_path, scale=0)


def test_a_failure_in_a_scene_reaches_the_caller(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(path: Path, scale: float) -> None:
        raise OSError("no space left")

    monkeypatch.setitem(pictures._MAKERS, "11-shot-list.jpg", broken)
    with pytest.raises(OSError, match="no space left"):
        make_pictures(tmp_path, only=["11-shot-list.jpg"])


@pytest.mark.parametrize(
    "name", ["01-evening-tide.tif", "05-moonrise.psd", "06-marram.jpg", "04-morning-mist.png"]
)
def test_the_same_seed_gives_the_same_bytes(folder: Path, tmp_path: Path, name: str) -> None:
    (again,) = make_pictures(tmp_path, scale=SCALE, only=[name])
    assert again.read_bytes() == (folder / name).read_bytes()


def test_another_seed_gives_another_picture(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pictures, "SEED", 8)
    (other,) = make_pictures(tmp_path, scale=SCALE, only=["03-pebbles.jpg"])
    assert np.abs(shown(other) - shown(folder / "03-pebbles.jpg")).mean() > 0.02


# What kind of file each is


def test_the_sunset_is_a_16_bit_tiff_in_romm_rgb_that_three_readers_agree_on(folder: Path) -> None:
    path = folder / "01-evening-tide.tif"
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        assert (page.bitspersample, page.samplesperpixel, page.compression) == (16, 3, 1)
        assert page.tags[34675].value == wide_gamut()
        values = page.asarray()
    assert values.dtype == np.uint16
    assert values.shape == (240, 360, 3)
    # Pillow shows eight bits of it: libtiff reads the same strips.
    assert np.abs(np.asarray(opened(path), np.int32) - (values >> 8)).max() <= 1
    assert np.array_equal(pyvips.Image.new_from_file(str(path), fail_on="warning").numpy(), values)


def test_a_tenth_of_the_sunset_lies_outside_srgb_and_none_outside_the_eye(folder: Path) -> None:
    light = romm_light(shown(folder / "01-evening-tide.tif"))
    in_srgb = light @ romm_to_srgb().T
    outside = ((in_srgb < -0.002) | (in_srgb > 1.002)).any(axis=-1)
    assert 0.05 < outside.mean() < 0.40
    in_bt2020 = light @ np.linalg.inv(bt2020_to_romm()).T
    # Grain and 16-bit rounding may push a code or two past the primaries; colour may not.
    assert (in_bt2020 < -0.004).any(axis=-1).mean() < 0.01


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("02-dune-crest.jpg", (240, 360)),
        ("08-surf-from-above.tif", (240, 320)),
        ("09-old-groyne.jpg", (330, 220)),
    ],
)
def test_the_plain_ones_are_8_bit_rgb_with_srgb_embedded(
    folder: Path, name: str, size: tuple[int, int]
) -> None:
    image = opened(folder / name)
    assert image.mode == "RGB"
    assert image.size == size
    assert image.info["icc_profile"] == srgb()
    assert ImageOps.exif_transpose(image).size == size


def test_the_pebbles_say_nothing_of_their_colour(folder: Path) -> None:
    image = opened(folder / "03-pebbles.jpg")
    assert (image.format, image.mode) == ("JPEG", "RGB")
    assert "icc_profile" not in image.info
    assert "exif" not in image.info


def test_the_mist_is_one_channel_of_16_bits_with_a_grey_profile(folder: Path) -> None:
    image = opened(folder / "04-morning-mist.png")
    assert (image.format, image.mode) == ("PNG", "I;16")
    profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert profile.profile.xcolor_space.strip() == "GRAY"
    assert image.info["icc_profile"] == grey_srgb()
    # A picture blown up from eight bits would hold 256 values at most.
    assert np.unique(np.asarray(image)).size > 10_000


def test_the_moonrise_opens_with_its_layers_and_its_flattened_picture(folder: Path) -> None:
    psd = PSDImage.open(io.BytesIO((folder / "05-moonrise.psd").read_bytes()))
    assert (psd.depth, psd.channels, psd.size) == (16, 3, (200, 267))
    assert [layer.name for layer in psd] == ["night and sea", "land", "light"]
    assert all(layer.is_visible() for layer in psd)
    assert psd.image_resources.get_data(Resource.ICC_PROFILE) == srgb()
    stored = np.asarray(psd.numpy(), np.float64)
    # Laid over each other anew by the reader's own arithmetic, the layers give the picture that is stored.
    assert np.abs(np.asarray(psd.composite(force=True), np.float64)[..., :3] / 255 - stored).max() < 1.6 / 255
    below = np.asarray(next(iter(psd)).numpy(), np.float64)[..., :3]
    assert (np.abs(stored - below).max(axis=-1) > 0.05).mean() > 0.02


def test_the_marram_lies_on_its_side_and_is_turned_by_its_orientation(folder: Path) -> None:
    image = opened(folder / "06-marram.jpg")
    assert image.size == (300, 225)
    assert image.getexif()[0x0112] == 6
    upright = shown(folder / "06-marram.jpg")
    assert upright.shape[:2] == (300, 225)
    # The sky is above the grass: brighter and smoother.
    top, bottom = upright[:60].mean(axis=-1), upright[-60:].mean(axis=-1)
    assert top.mean() > bottom.mean() + 0.2
    assert np.abs(np.diff(bottom, axis=1)).mean() > 3 * np.abs(np.diff(top, axis=1)).mean()


def test_the_scallop_is_solid_in_the_middle_and_clear_at_the_corners(folder: Path) -> None:
    image = opened(folder / "07-scallop.png")
    assert (image.format, image.mode) == ("PNG", "RGBA")
    assert image.info["icc_profile"] == srgb()
    alpha = np.asarray(image)[..., 3]
    height, width = alpha.shape
    assert (alpha[height // 4 : -height // 4, width // 4 : -width // 4] == 255).mean() > 0.95
    assert not any(alpha[row, column] for row in (0, -1) for column in (0, -1))
    assert ((alpha > 0) & (alpha < 255)).mean() > 0.15
    steps = np.abs(np.diff(alpha.astype(int), axis=1)).max()
    assert steps < 25  # soft at every place: no edge even in this small copy


# What must be refused


def test_the_copy_that_broke_off_starts_like_a_jpeg_and_never_ends(folder: Path) -> None:
    data = (folder / "10-copy-broke-off.jpg").read_bytes()
    assert data[:3] == b"\xff\xd8\xff"
    assert data[-2:] != b"\xff\xd9"
    image = Image.open(io.BytesIO(data))
    assert image.size == (120, 180)  # the head is whole: it looks like a picture until it is read
    with pytest.raises(OSError, match="truncated"):
        image.load()


def test_the_shot_list_is_no_picture_at_all(folder: Path) -> None:
    data = (folder / "11-shot-list.jpg").read_bytes()
    assert data.decode("utf-8").startswith("Shoreline")
    with pytest.raises(OSError, match="cannot identify"):
        Image.open(io.BytesIO(data))


@pytest.mark.parametrize("picture", GOOD, ids=lambda picture: picture.name)
def test_our_own_reader_takes_every_good_picture_and_finds_nothing_damaged(
    folder: Path, tmp_path: Path, picture: DemoPicture
) -> None:
    found = open_picture(
        folder / picture.name, untagged="srgb", access="sequential", max_pixels=10**8, scratch=tmp_path
    )
    assert found.pixels.copy_memory().avg() > 0
    warnings = [note.text for note in found.notes if note.level == "warning"]
    assert len(warnings) == (1 if picture.name == "03-pebbles.jpg" else 0), warnings
    assert found.facts["bits"] == (16 if picture.name[:2] in {"01", "04", "05"} else 8)


@pytest.mark.parametrize(
    ("name", "reason"), [("10-copy-broke-off.jpg", "not whole"), ("11-shot-list.jpg", "no picture")]
)
def test_our_own_reader_refuses_the_other_two_for_two_reasons(
    folder: Path, tmp_path: Path, name: str, reason: str
) -> None:
    with pytest.raises(Refusal, match=reason):
        open_picture(folder / name, untagged="srgb", access="sequential", max_pixels=10**8, scratch=tmp_path)


# What a print maker needs of them


@pytest.mark.parametrize("picture", GOOD, ids=lambda picture: picture.name)
def test_each_picture_has_texture_and_is_not_clipped_over_large_areas(
    folder: Path, picture: DemoPicture
) -> None:
    values = shown(folder / picture.name)[..., :3]
    grey = values.mean(axis=-1)
    assert np.quantile(grey, 0.98) - np.quantile(grey, 0.02) > 0.22
    for edge in (values <= 1 / 255, values >= 254 / 255):
        assert edge.all(axis=-1).mean() < 0.02


def test_between_them_they_hold_deep_shadows_bright_highlights_and_near_neutral_greys(folder: Path) -> None:
    moon = shown(folder / "05-moonrise.psd").mean(axis=-1)
    assert np.quantile(moon, 0.10) < 0.16
    surf = shown(folder / "08-surf-from-above.tif")
    assert np.quantile(surf.mean(axis=-1), 0.995) > 0.85
    groyne = shown(folder / "09-old-groyne.jpg")
    assert np.quantile(np.ptp(groyne, axis=-1), 0.9) < 0.06
    scallop = shown(folder / "07-scallop.png")[60:180, 90:210, :3]
    red, green, blue = np.moveaxis(scallop, -1, 0)
    assert ((red > green) & (green > blue)).mean() > 0.9


def test_the_long_gradient_of_the_groyne_has_no_bands(folder: Path, tmp_path: Path) -> None:
    (path,) = make_pictures(tmp_path, scale=0.3, only=["09-old-groyne.jpg"])
    sky = np.asarray(opened(path).convert("L"), np.int32)[:200, 400:700]
    # In a band a whole run of neighbours has one code; grain and dither leave no such runs.
    same = np.diff(sky, axis=1) == 0
    longest = max(len(run) for row in same for run in "".join("1" if s else "0" for s in row).split("0"))
    assert longest < 24


@pytest.mark.parametrize("name", ["02-dune-crest.jpg", "09-old-groyne.jpg"])
def test_a_small_copy_has_the_look_of_the_larger_one(folder: Path, tmp_path: Path, name: str) -> None:
    (larger,) = make_pictures(tmp_path, scale=0.25, only=[name])
    small = opened(folder / name)
    shrunk = np.asarray(opened(larger).resize(small.size, Image.Resampling.BOX), np.float64)
    assert np.abs(shrunk - np.asarray(small, np.float64)).mean() < 8


# The tools


def test_romm_codes_mean_what_the_profile_says() -> None:
    """Linear BT.2020 white and primaries through our codes and LittleCMS' reading of the profile, in XYZ under D50.

    Expected: Rec. ITU-R BT.2020-2's chromaticities, adapted by Bradford's matrix (computed here from its published
    coefficients, not by the code under test).
    """
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d65 = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    d50 = np.array([0.9642, 1.0, 0.8249])
    adapt = np.linalg.inv(bradford) @ np.diag((bradford @ d50) / (bradford @ d65)) @ bradford
    xy = np.array([[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]])
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    matrix = adapt @ (columns * np.linalg.solve(columns, d65))
    light = np.array(
        [[1.0, 1.0, 1.0], [0.18, 0.18, 0.18], [0.8, 0.1, 0.05], [0.05, 0.4, 0.1], [0.1, 0.05, 0.6]]
    )
    expected = light @ matrix.T

    romm = (light @ bt2020_to_romm().T).astype(np.float32)
    codes = np.round(np.clip(romm_encode(romm), 0, 1) * 65535).astype(np.uint16)
    lab_profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB", 5000)).tobytes()
    lab = cms_transform(
        codes[None], wide_gamut(), lab_profile, colorspace="rgb", outcolorspace="lab", outdtype="float64"
    )
    assert np.abs(lab[0] - _lab(expected, d50)).max() < 0.15


def _lab(XYZ: NDArray[np.float64], white: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 15:2004, 8.2.1."""
    ratio = XYZ / white
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=-1)


def test_the_film_curve_rises_everywhere_and_keeps_mid_grey() -> None:
    light = np.geomspace(1e-4, 6.0, 500, dtype=np.float32)
    curve = film_curve(light, 1.35, 6.0)
    assert (np.diff(curve) > 0).all()
    assert film_curve(np.array([0.18], np.float32), 1.35, 6.0)[0] == pytest.approx(0.18, abs=1e-5)
    assert curve[-1] == pytest.approx(1, abs=1e-5)


def test_srgb_encoding_is_the_standards() -> None:
    """IEC 61966-2-1: the straight part's end, and code 128's light 0.215861 (computed from the standard's formula)."""
    light = np.array([0.0, 0.0031308, ((128 / 255 + 0.055) / 1.055) ** 2.4, 1.0], np.float32)
    assert srgb_encode(light) == pytest.approx([0.0, 0.040450, 128 / 255, 1.0], abs=2e-5)


def test_the_tiff_writer_keeps_every_code_and_odd_sizes(tmp_path: Path) -> None:
    pixels = np.random.default_rng(1).integers(0, 65536, (131, 77, 3), dtype=np.uint16)
    write_tiff16(tmp_path / "t.tif", pixels, b"odd-length-profile!", 360)
    with tifffile.TiffFile(tmp_path / "t.tif") as tiff:
        assert np.array_equal(tiff.asarray(), pixels)
        tags = tiff.pages.first.tags
        assert tags[34675].value == b"odd-length-profile!"
        assert tags["XResolution"].value == (360, 1)


def test_the_psd_writer_keeps_every_code_of_layers_with_odd_sizes(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    below, above = rng.integers(0, 65536, (2, 37, 53, 3), dtype=np.uint16)
    alpha = np.zeros((37, 53), np.uint16)
    alpha[5:20, 7:30] = rng.integers(1, 65536, (15, 23), dtype=np.uint16)
    layers = [PsdLayer("below", below, None), PsdLayer("above", above, alpha)]
    write_psd16(tmp_path / "t.psd", layers, srgb(), 300)
    psd = PSDImage.open(io.BytesIO((tmp_path / "t.psd").read_bytes()))
    first, second = psd
    assert second.bbox == (7, 5, 30, 20)
    whole = np.round(np.asarray(first.numpy()) * 65535)
    part = np.round(np.asarray(second.numpy()) * 65535)
    assert np.array_equal(whole[..., :3], below)
    assert np.array_equal(part[..., :3], above[5:20, 7:30])
    assert np.array_equal(part[..., 3], alpha[5:20, 7:30])
    expected = below.astype(np.float64)
    share = alpha[..., None] / 65535
    expected += share * (above - expected)
    assert np.abs(flatten(layers) - expected).max() <= 0.51
    assert np.array_equal(np.round(psd.numpy() * 65535), flatten(layers))
