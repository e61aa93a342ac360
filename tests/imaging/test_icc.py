"""Profiles are looked at before anything is done with them. Offsets and classes: ICC.1:2022, 7.2 and 7.3."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from drydown.errors import Refusal
from drydown.imaging import working
from drydown.imaging.icc import LIMIT_BYTES, BadProfile, check_output, check_source, inspect

SRGB = working.srgb()
GREY = working.grey_srgb()
ALL = ("perceptual", "relative", "saturation", "absolute")


def altered(icc: bytes, place: int, content: bytes) -> bytes:
    return icc[:place] + content + icc[place + len(content) :]


def without_tags(icc: bytes, *names: bytes) -> bytes:
    """The same profile with tags renamed out of the way."""
    (count,) = struct.unpack_from(">I", icc, 128)
    for place in range(132, 132 + 12 * count, 12):
        if icc[place : place + 4] in names:
            icc = altered(icc, place, b"zz" + icc[place + 2 : place + 4])
    return icc


def test_a_working_space_says_what_it_is() -> None:
    info = inspect(SRGB)
    assert (info.device_class, info.colour_space, info.pcs, info.channels) == ("mntr", "RGB", "XYZ", 3)
    assert info.version == f"{SRGB[8]}.{SRGB[9] >> 4}"
    assert info.size == len(SRGB)
    assert "61966-2-1" in info.description
    assert info.intents == info.intents_back == ALL
    assert info.white_XYZ is not None
    # the PCS illuminant, D50 (ICC.1:2022, 7.2.16)
    np.testing.assert_allclose(info.white_XYZ, (0.9642, 1.0, 0.8249), atol=5e-5)


def test_a_grey_profile_has_one_channel() -> None:
    assert inspect(GREY).channels == 1
    assert check_source(GREY, channels=1).colour_space == "GRAY"


def test_bytes_after_the_stated_size_do_no_harm() -> None:
    assert inspect(SRGB + bytes(64)) == inspect(SRGB)


@pytest.mark.parametrize(
    ("icc", "words"),
    [
        (b"", "0 bytes"),
        (SRGB[:100], "100 bytes"),
        (SRGB[:-1], "cut off"),
        (altered(SRGB, 36, b"\0\0\0\0"), "'acsp' is missing"),
        (altered(SRGB, 0, struct.pack(">I", 0)), "size of 0 bytes"),
        (altered(SRGB, 8, b"\5"), "version 5"),
        (altered(SRGB, 8, b"\0"), "version 0"),
        (altered(SRGB, 12, b"wxyz"), "class 'wxyz' is unknown"),
        (altered(SRGB, 128, struct.pack(">I", 0)), "tag table is damaged"),
        (altered(SRGB, 128, struct.pack(">I", 0xFFFFFFFF)), "tag table is damaged"),
        (altered(SRGB, 136, struct.pack(">I", len(SRGB))), "outside its"),
        (altered(SRGB, 136, struct.pack(">I", 4)), "outside its"),
        (altered(SRGB, 140, struct.pack(">I", 0xFFFFFFF0)), "outside its"),
        (SRGB + bytes(LIMIT_BYTES), "is the limit"),
    ],
)
def test_a_damaged_profile_is_named_for_its_damage(icc: bytes, words: str) -> None:
    with pytest.raises(BadProfile, match=words):
        inspect(icc)
    with pytest.raises(Refusal, match=words):
        check_source(icc, channels=3)
    with pytest.raises(Refusal, match=words):
        check_output(icc)


@pytest.mark.parametrize(
    ("device_class", "words"),
    [(b"nmcl", "a named-colour profile"), (b"link", "a device link"), (b"abst", "an abstract profile")],
)
def test_a_class_that_describes_no_picture_is_refused(device_class: bytes, words: str) -> None:
    icc = altered(SRGB, 12, device_class)
    with pytest.raises(Refusal, match=words):
        check_source(icc, channels=3)
    with pytest.raises(Refusal, match=words):
        check_output(icc)


@pytest.mark.parametrize(("icc", "channels"), [(SRGB, 1), (SRGB, 4), (GREY, 3), (GREY, 4), (SRGB, 2)])
def test_a_profile_for_other_channels_is_refused_and_never_taken_for_srgb(icc: bytes, channels: int) -> None:
    with pytest.raises(Refusal, match="it is a profile for"):
        check_source(icc, channels=channels)


@pytest.mark.parametrize("space", [b"RGB\xa0", b"R\x07B ", b"\0\0\x80 ", b"RG\nB"])
def test_the_letters_of_a_damaged_space_act_on_nobody(space: bytes) -> None:
    with pytest.raises(Refusal) as refused:
        check_source(altered(SRGB, 16, space), channels=3)
    assert str(refused.value).isprintable()


def test_a_profile_without_its_curves_is_refused() -> None:
    with pytest.raises(Refusal, match="colour engine cannot convert"):
        check_source(without_tags(SRGB, b"rTRC"), channels=3)


def test_a_profile_whose_white_is_as_dark_as_its_black_is_refused() -> None:
    (count,) = struct.unpack_from(">I", SRGB, 128)
    dark = SRGB
    for place in range(132, 132 + 12 * count, 12):
        if SRGB[place : place + 4] in (b"rXYZ", b"gXYZ", b"bXYZ"):
            offset = struct.unpack_from(">I", SRGB, place + 4)[0]
            dark = altered(dark, offset + 8, struct.pack(">iii", 20, 20, 20))
    with pytest.raises(Refusal, match="white has L"):
        check_source(dark, channels=3)


def test_a_stock_may_use_a_working_space_but_not_grey_or_a_scanner() -> None:
    assert check_output(SRGB).colour_space == "RGB"
    with pytest.raises(Refusal, match="is for GRAY"):
        check_output(GREY)
    with pytest.raises(Refusal, match="no way from colours back"):
        check_output(altered(SRGB, 12, b"scnr"))


def test_a_thousand_damaged_profiles_are_refused_or_still_convert() -> None:
    random = np.random.default_rng(5)
    refused = 0
    for _ in range(1000):
        icc = bytearray(SRGB)
        for place in random.integers(0, len(icc) if random.random() < 0.3 else 400, random.integers(1, 6)):
            icc[place] = random.integers(0, 256)
        try:
            check_source(bytes(icc), channels=3)
        except Refusal:
            refused += 1
    assert 200 < refused < 1000


def test_every_cut_of_a_profile_is_refused() -> None:
    for length in range(0, len(SRGB), 97):
        with pytest.raises(Refusal):
            check_source(SRGB[:length], channels=3)
