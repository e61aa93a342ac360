from __future__ import annotations

import unicodedata

import pytest

from drydown.intake.sidecar import Neighbours, is_settings


@pytest.mark.parametrize(
    ("names", "picture", "settings"),
    [
        (["photo.jpg", "photo.toml"], "photo.jpg", "photo.toml"),
        (["photo.jpg", "photo.jpg.toml"], "photo.jpg", "photo.jpg.toml"),
        (["photo.jpg", "other.toml"], "photo.jpg", None),
        (["photo.jpg", "photo.TOML"], "photo.jpg", "photo.TOML"),
        (["Photo.JPG", "photo.toml"], "Photo.JPG", "photo.toml"),
        (["photo", "photo.toml"], "photo", "photo.toml"),
        (["a.b.tif", "a.b.toml"], "a.b.tif", "a.b.toml"),
        (["photo.jpg", "photo.jpg.jpg", "photo.jpg.toml"], "photo.jpg", "photo.jpg.toml"),
        (["photo.jpg", "photo.jpg.jpg", "photo.jpg.toml"], "photo.jpg.jpg", None),
        (["photo.jpg", "photo.tif", "photo.tif.toml"], "photo.jpg", None),
        (["photo.jpg", "photo.tif", "photo.jpg.toml", "photo.toml"], "photo.tif", "photo.toml"),
        (["photo.jpg", "photo.tif", "photo.jpg.toml", "photo.toml"], "photo.jpg", "photo.jpg.toml"),
        (["photo.jpg", "Photo.tif", "photo.jpg.toml", "photo.toml"], "Photo.tif", "photo.toml"),
        # Pictures that differ in case only: the exact spelling counts.
        (["A.jpg", "a.jpg", "a.jpg.toml"], "a.jpg", "a.jpg.toml"),
        (["A.jpg", "a.jpg", "a.jpg.toml"], "A.jpg", None),
        (["A.jpg", "a.jpg", "a.jpg.toml", "A.jpg.toml"], "A.jpg", "A.jpg.toml"),
        (["A.jpg", "a.jpg", "a.jpg.toml", "A.jpg.toml"], "a.jpg", "a.jpg.toml"),
        (["A.jpg", "a.jpg", "a.toml"], "a.jpg", "a.toml"),
        (["A.jpg", "a.jpg", "a.toml"], "A.jpg", None),
        (["A.jpg", "a.jpg", "a.toml", "A.toml"], "A.jpg", "A.toml"),
        (["A", "a", "a.toml"], "a", "a.toml"),
        (["A", "a", "a.toml"], "A", None),
    ],
)
def test_settings_belong_to_the_picture_whose_name_they_carry(
    names: list[str], picture: str, settings: str | None
) -> None:
    pairing = Neighbours(names).of(picture)
    assert (pairing.settings, pairing.why) == (settings, "")


def test_settings_and_picture_may_spell_an_accent_differently() -> None:
    settings = unicodedata.normalize("NFD", "été.toml")
    assert Neighbours(["été.jpg", settings]).of("été.jpg").settings == settings


@pytest.mark.parametrize(
    ("names", "picture"),
    [
        (["photo.jpg", "photo.tif", "photo.toml"], "photo.jpg"),
        (["photo.jpg", "photo.tif", "photo.toml"], "photo.tif"),
        (["photo.jpg", "photo.jpg.toml", "photo.toml"], "photo.jpg"),
        (["photo.jpg", "photo.toml", "Photo.toml"], "photo.jpg"),
        (["PHOTO.jpg", "photo.jpg", "photo.jpg.toml", "photo.toml"], "photo.jpg"),
    ],
)
def test_a_picture_waits_when_it_is_unclear_which_settings_are_its_own(
    names: list[str], picture: str
) -> None:
    pairing = Neighbours(names).of(picture)
    assert pairing.settings is None
    assert "photo" in pairing.why


@pytest.mark.parametrize("picture", ["AB.jpg", "ab.jpg"])
@pytest.mark.parametrize("settings", ["Ab.jpg.toml", "Ab.toml", "AB.JPG.toml"])
def test_settings_that_spell_neither_of_two_pictures_exactly_hold_both_back(
    picture: str, settings: str
) -> None:
    pairing = Neighbours(["AB.jpg", "ab.jpg", settings]).of(picture)
    assert pairing.settings is None
    assert "several pictures of that name" in pairing.why and f"call it {picture}.toml" in pairing.why


def test_one_accent_in_two_encodings_is_told_apart_by_the_exact_one() -> None:
    composed, apart = (unicodedata.normalize(form, "été.jpg") for form in ("NFC", "NFD"))
    names = Neighbours([composed, apart, f"{apart}.toml"])
    assert [names.of(name).settings for name in (composed, apart)] == [None, f"{apart}.toml"]


def test_settings_without_a_picture_are_told_apart() -> None:
    names = Neighbours(["photo.jpg", "photo.toml", "photo.jpg.toml", "lost.toml"])
    assert [names.is_alone(name) for name in ("photo.toml", "photo.jpg.toml", "lost.toml")] == [
        False,
        False,
        True,
    ]
    assert is_settings("x.TOML") and not is_settings("x.toml.jpg")
