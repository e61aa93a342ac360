"""Pictures from one profile to another. That the numbers are LittleCMS' own is checked in tests/reference."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import pyvips

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.errors import Refusal
from drydown.imaging.convert import (
    compensation,
    convert,
    device_to_lab,
    intent_used,
    lab_to_device,
    same_profile,
    to_srgb,
)
from drydown.imaging.working import grey_srgb, oprgb, srgb, wide_gamut


def picture(bands: int = 3, *, width: int = 64, height: int = 48) -> pyvips.Image:
    values = np.random.default_rng(5).integers(0, 65536, (height, width, bands), dtype=np.uint16)
    kinds = {1: "grey16", 2: "grey16", 3: "rgb16", 4: "cmyk"}
    return pyvips.Image.new_from_memory(values.tobytes(), width, height, bands, "ushort").copy(
        interpretation=kinds[bands]
    )


def values(pixels: pyvips.Image) -> np.ndarray:
    return np.frombuffer(pixels.write_to_memory(), np.uint16).reshape(
        pixels.height, pixels.width, pixels.bands
    )


def renamed(icc: bytes, *names: bytes) -> bytes:
    """The profile with some tags under names that nobody reads."""
    for number, name in enumerate(names):
        icc = icc.replace(name, b"zz%02d" % number, 1)
    return icc


def to_pearl(pixels: pyvips.Image, icc: bytes, **changed: object) -> pyvips.Image:
    settings = {"intent": "relative", "black_point_compensation": True, **changed}
    return convert(pixels, icc, pearl_profile(), **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(("space", "bands"), [(srgb, 3), (wide_gamut, 3), (grey_srgb, 1)])
def test_the_result_is_16_bit_rgb_and_carries_no_profile(space: Callable[[], bytes], bands: int) -> None:
    out = to_pearl(picture(bands), space())
    assert (out.interpretation, out.format, out.bands) == ("rgb16", "ushort", 3)
    assert out.get_typeof("icc-profile-data") == 0
    assert len(np.unique(values(out))) > 500


def test_what_comes_out_is_the_colour_that_went_in() -> None:
    device = np.random.default_rng(6).random((200, 3)) * 0.5 + 0.25  # inside the paper's gamut
    codes = np.rint(device * 65535).astype(np.uint16)
    pixels = pyvips.Image.new_from_memory(codes.tobytes(), 200, 1, 3, "ushort")
    printed = values(to_pearl(pixels, srgb(), black_point_compensation=False))[0] / 65535
    off = np.linalg.norm(
        device_to_lab(pearl_profile(), printed) - device_to_lab(srgb(), codes / 65535), axis=1
    )
    assert np.median(off) < 0.5


def test_the_profile_given_counts_and_not_one_that_the_loader_attached() -> None:
    plain = picture()
    tagged = plain.copy()
    tagged.set_type(pyvips.GValue.blob_type, "icc-profile-data", oprgb())
    assert np.array_equal(values(to_pearl(tagged, srgb())), values(to_pearl(plain, srgb())))
    assert not np.array_equal(values(to_pearl(plain, oprgb())), values(to_pearl(plain, srgb())))


def test_what_the_pixels_call_themselves_does_not_matter() -> None:
    plain = picture()
    other = plain.copy(interpretation="multiband")
    assert np.array_equal(values(to_pearl(other, srgb())), values(to_pearl(plain, srgb())))


def test_the_target_may_be_bytes_or_a_file(tmp_path: Path) -> None:
    file = tmp_path / "pearl.icc"
    file.write_bytes(pearl_profile())
    by_name = convert(picture(), srgb(), file, intent="relative", black_point_compensation=True)
    file.unlink()  # built is built: the file is not read again
    assert np.array_equal(values(by_name), values(to_pearl(picture(), srgb())))


def test_a_picture_already_in_the_profile_is_handed_back_untouched() -> None:
    pixels = picture()
    assert to_pearl(pixels, pearl_profile()) is pixels


def test_a_profile_saved_again_with_another_date_is_the_same_space() -> None:
    saved = bytearray(pearl_profile())
    saved[24:36] = bytes(range(12))  # the date
    saved[64:68] = b"\0\0\0\1"  # the rendering intent somebody preferred
    assert same_profile(pearl_profile(), bytes(saved))
    saved[len(saved) // 2] ^= 1
    assert not same_profile(pearl_profile(), bytes(saved))
    assert not same_profile(pearl_profile(), matte_profile())


@pytest.mark.parametrize(
    ("icc", "bands", "sentence"),
    [
        (b"rubbish" * 100, 3, "cannot be used"),
        (pearl_profile()[:5000], 3, "cut off"),
        (grey_srgb(), 3, "GRAY"),
        (srgb(), 4, "CMYK"),
        (srgb(), 1, "grey"),
    ],
)
def test_a_profile_that_does_not_fit_is_refused_and_never_guessed(
    icc: bytes, bands: int, sentence: str
) -> None:
    with pytest.raises(Refusal, match=sentence):
        to_pearl(picture(bands), icc)


@pytest.mark.parametrize(
    "target",
    [
        b"rubbish" * 100,
        renamed(pearl_profile(), b"B2A0", b"B2A1", b"B2A2"),
        pearl_profile().replace(b"prtr", b"link", 1),
    ],
    ids=["garbage", "no way back", "device link"],
)
def test_a_target_that_nothing_can_be_converted_to_is_refused(target: bytes) -> None:
    with pytest.raises(Refusal, match="profile to convert to"):
        convert(picture(), srgb(), target, intent="relative", black_point_compensation=True)


def test_pixels_of_8_bits_are_a_defect_of_the_caller() -> None:
    with pytest.raises(TypeError, match="uchar"):
        to_pearl(picture().cast("uchar"), srgb())


def test_a_word_of_doubt_from_libvips_fails_the_conversion(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = pyvips.Image.icc_transform if "icc_transform" in vars(pyvips.Image) else None
    assert plain is None  # it is found by name at run time, so a stand-in can be put before it

    def doubting(self: pyvips.Image, *_: object, **__: object) -> pyvips.Image:
        logging.getLogger("pyvips").warning("profile incompatible with image")
        return self

    monkeypatch.setattr(pyvips.Image, "icc_transform", doubting, raising=False)
    with pytest.raises(Refusal, match="profile incompatible with image"):
        to_pearl(picture(), srgb())


def test_a_source_with_a_perceptual_table_alone_is_read_by_that_and_not_taken_for_srgb(
    caplog: pytest.LogCaptureFixture,
) -> None:
    # libvips takes such a picture for sRGB where the header suggests an intent that is missing too, as this one's does
    alone = renamed(matte_profile(), b"A2B1", b"A2B2")
    assert alone[67] != 0
    out = values(to_pearl(picture(), alone))
    assert not np.array_equal(out, values(to_pearl(picture(), matte_profile())))
    assert np.abs(out.astype(int) - values(to_pearl(picture(), srgb()))).mean() > 500
    assert not caplog.records  # it is no warning: ICC.1:2022, 9.2 says so


def test_a_source_without_a_table_for_the_intent_and_without_a_perceptual_one_is_refused() -> None:
    with pytest.raises(Refusal, match="none that could stand in"):
        to_pearl(picture(), renamed(matte_profile(), b"A2B0", b"A2B2"), intent="saturation")


def test_a_target_with_a_perceptual_table_alone_serves_that() -> None:
    alone = renamed(pearl_profile(), b"B2A1", b"B2A2")
    assert intent_used(alone, "relative") == "perceptual"
    assert intent_used(pearl_profile(), "relative") == "relative"
    assert intent_used(srgb(), "absolute") == "absolute"  # curves serve every intent
    asked = convert(picture(), srgb(), alone, intent="relative", black_point_compensation=True)
    plain = convert(picture(), srgb(), pearl_profile(), intent="perceptual", black_point_compensation=True)
    assert np.array_equal(values(asked), values(plain))


def test_where_black_point_compensation_has_no_say_the_reason_is_given() -> None:
    version_4 = bytearray(pearl_profile())
    version_4[8] = 4
    assert compensation(pearl_profile(), "relative", True) == (True, "")
    assert compensation(pearl_profile(), "perceptual", False) == (False, "")
    assert compensation(bytes(version_4), "perceptual", False)[0] is True
    assert compensation(bytes(version_4), "relative", False) == (False, "")
    assert compensation(pearl_profile(), "absolute", True)[0] is False


def test_white_stays_bare_paper() -> None:
    white = (pyvips.Image.black(8, 8, bands=3) + 65535).cast("ushort")
    assert values(to_pearl(white, wide_gamut())).min() == 65535


def test_a_file_read_in_one_pass_stays_readable_in_one_pass(tmp_path: Path) -> None:
    file = tmp_path / "picture.tif"
    picture(width=700, height=900).tiffsave(str(file))
    once = pyvips.Image.new_from_file(str(file), access="sequential", fail_on="warning")
    again = pyvips.Image.new_from_file(str(file), access="random")
    assert np.array_equal(values(to_pearl(once, srgb())), values(to_pearl(again, srgb())))


def test_a_preview_is_8_bit_srgb() -> None:
    out = to_srgb(to_pearl(picture(), srgb()), pearl_profile())
    assert (out.interpretation, out.format, out.bands) == ("srgb", "uchar", 3)
    assert out.get_typeof("icc-profile-data") == 0
    greys = pyvips.Image.new_from_memory(
        np.repeat(np.arange(0, 256, dtype=np.uint16) * 257, 3).tobytes(), 256, 1, 3, "ushort"
    )
    shown = np.frombuffer(to_srgb(greys, srgb()).write_to_memory(), np.uint8).reshape(256, 3)
    assert np.abs(shown.astype(int) - np.arange(256)[:, None]).max() <= 1


def test_a_single_colour_is_worked_out_finer_than_the_pixels_are() -> None:
    Lab = np.array([[50.0, 0, 0], [70, 10, -10]])
    again = device_to_lab(pearl_profile(), lab_to_device(pearl_profile(), Lab))
    assert np.abs(again - Lab).max() < 0.5
