"""The step `convert`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from colour_kit import a_frame, a_job, values
from pydantic import ValidationError

from drydown.api import Hold, Refusal
from drydown.demo.paper import matte_profile, pearl_model, pearl_profile
from drydown.imaging.convert import convert as converted
from drydown.imaging.printer_profile import printer_profile
from drydown.imaging.working import grey_srgb, srgb, wide_gamut
from drydown_steps.convert import OFFER, Convert, convert


def by_hand(frame: object, to: bytes, intent: str, compensate: bool) -> np.ndarray:
    pixels = converted(frame.pixels, frame.icc, to, intent=intent, black_point_compensation=compensate)  # type: ignore[attr-defined, arg-type]
    return values(frame.with_(pixels=pixels))  # type: ignore[attr-defined]


def test_without_settings_the_stock_decides(tmp_path: Path) -> None:
    frame = a_frame(wide_gamut())
    for intent, compensate in (("relative", True), ("perceptual", False), ("relative", False)):
        job = a_job(tmp_path, intent=intent, black_point_compensation=compensate)
        out = convert(frame, Convert(), job)
        assert out.icc == job.stock.icc
        assert np.array_equal(values(out), by_hand(frame, pearl_profile(), intent, compensate))


def test_a_recipes_settings_go_before_the_stocks(tmp_path: Path) -> None:
    frame, job = a_frame(srgb()), a_job(tmp_path)
    out = convert(frame, Convert(intent="perceptual", black_point_compensation=False), job)
    assert np.array_equal(values(out), by_hand(frame, pearl_profile(), "perceptual", False))
    assert not np.array_equal(values(out), by_hand(frame, pearl_profile(), "relative", True))


@pytest.mark.parametrize(("icc", "bands"), [(grey_srgb(), 1), (srgb(), 3), (wide_gamut(), 3)])
def test_grey_and_rgb_become_the_stocks_three_channels(tmp_path: Path, icc: bytes, bands: int) -> None:
    out = convert(a_frame(icc, bands=bands), Convert(), a_job(tmp_path))
    assert (out.pixels.bands, out.pixels.format, out.pixels.interpretation) == (3, "ushort", "rgb16")


def test_the_record_says_from_what_to_what_and_how(tmp_path: Path) -> None:
    note = convert(a_frame(srgb()), Convert(), a_job(tmp_path)).notes[-1]
    assert "IEC 61966-2-1" in note.text and "Simulated pearl" in note.text
    assert "media-relative colorimetric" in note.text
    assert "black point compensation on" in note.text
    assert note.figures["intent"] == "media-relative colorimetric"
    assert note.figures["black_point_compensation"] == 1


def test_the_record_says_where_black_point_compensation_has_no_say(tmp_path: Path) -> None:
    version_4 = bytearray(pearl_profile())
    version_4[8] = 4
    job = a_job(tmp_path, icc=bytes(version_4), intent="perceptual", black_point_compensation=False)
    note = convert(a_frame(srgb()), Convert(), job).notes[-1]
    assert (
        "black point compensation on (always done with perceptual towards a version 4 profile)" in note.text
    )
    assert (note.figures["black_point_compensation"], note.figures["black_point_compensation_asked"]) == (
        1,
        0,
    )


def test_a_picture_already_in_the_stocks_profile_passes_through_untouched(tmp_path: Path) -> None:
    saved_again = bytearray(pearl_profile())
    saved_again[24:36] = bytes(12)
    for icc in (pearl_profile(), bytes(saved_again)):
        frame = a_frame(icc)
        out = convert(frame, Convert(), a_job(tmp_path))
        assert out.pixels is frame.pixels
        assert out.icc == pearl_profile()
        assert "passed through" in out.notes[-1].text


def test_it_converts_and_never_merely_assigns(tmp_path: Path) -> None:
    frame = a_frame(srgb())
    out = convert(frame, Convert(), a_job(tmp_path))
    assert not np.array_equal(values(out), values(frame))


def test_an_untagged_picture_is_refused_and_never_guessed(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match="carries no colour profile"):
        convert(a_frame(None), Convert(), a_job(tmp_path))


@pytest.mark.parametrize(("icc", "bands"), [(srgb(), 4), (grey_srgb(), 2)])
def test_transparency_is_refused_with_the_place_of_flatten(tmp_path: Path, icc: bytes, bands: int) -> None:
    with pytest.raises(Refusal, match="Put flatten before convert"):
        convert(a_frame(icc, bands=bands), Convert(), a_job(tmp_path))


@pytest.mark.parametrize("icc", [b"rubbish" * 100, pearl_profile()[:3000], grey_srgb()])
def test_a_damaged_or_foreign_profile_is_refused(tmp_path: Path, icc: bytes) -> None:
    with pytest.raises(Refusal, match="cannot be used"):
        convert(a_frame(icc), Convert(), a_job(tmp_path))


def test_absolute_alone_is_a_fault_of_the_recipe() -> None:
    with pytest.raises(ValidationError, match="absolute is for imitating another paper"):
        Convert(intent="absolute")
    with pytest.raises(ValidationError, match="hard_proof needs imitate"):
        Convert(hard_proof=True)
    with pytest.raises(ValidationError, match="only read with hard_proof"):
        Convert(imitate=Path("profiles/matte.icc"))


def test_a_stock_that_asks_for_absolute_alone_holds_the_job(tmp_path: Path) -> None:
    with pytest.raises(Hold, match="absolute is for imitating another paper"):
        convert(a_frame(srgb()), Convert(), a_job(tmp_path, intent="absolute"))


def test_a_hard_proof_goes_by_the_other_paper_and_carries_its_white_along(tmp_path: Path) -> None:
    other = tmp_path / "matte.icc"
    other.write_bytes(matte_profile())
    frame, job = a_frame(srgb()), a_job(tmp_path)
    settings = Convert(intent="absolute", hard_proof=True, imitate=other)
    middle = frame.with_(
        pixels=converted(
            frame.pixels, srgb(), matte_profile(), intent="relative", black_point_compensation=True
        ),
        icc=matte_profile(),
    )
    out = convert(frame, settings, job)
    assert np.array_equal(values(out), by_hand(middle, pearl_profile(), "absolute", False))
    assert out.icc == pearl_profile()


def test_a_hard_proof_lays_the_other_papers_white_on_ours(tmp_path: Path) -> None:
    creamier = replace(pearl_model(), paper=replace(pearl_model().paper, reflectance=0.78, blue_lift=0.0))
    other = tmp_path / "cream.icc"
    other.write_bytes(printer_profile(creamier.lab, description="A darker paper"))
    job, frame = a_job(tmp_path), a_frame(srgb())
    white = frame.with_(pixels=(frame.pixels * 0 + 65535).cast("ushort").copy(interpretation="rgb16"))
    tint = values(convert(white, Convert(hard_proof=True, imitate=other), job))[0, :1] / 65535
    wanted = creamier.lab(np.ones((1, 3)))[0]
    assert pearl_model().lab(tint)[0] == pytest.approx(wanted, abs=0.6)
    assert tint.min() < 1
    assert (values(convert(white, Convert(), job)) == 65535).all()


def test_a_hard_proof_is_in_the_record_with_the_imitated_profiles_hash(tmp_path: Path) -> None:
    other = tmp_path / "matte.icc"
    other.write_bytes(matte_profile())
    notes = convert(a_frame(srgb()), Convert(hard_proof=True, imitate=other), a_job(tmp_path)).notes
    assert "imitates “Simulated matte" in notes[-1].text
    assert len(str(notes[-1].figures["imitate_sha256"])) == 64
    assert any("ICC-absolute colorimetric" in note.text for note in notes)


def test_a_picture_already_in_the_imitated_profile_takes_the_last_leg_alone(tmp_path: Path) -> None:
    other = tmp_path / "matte.icc"
    other.write_bytes(matte_profile())
    frame = a_frame(matte_profile())
    out = convert(frame, Convert(hard_proof=True, imitate=other), a_job(tmp_path))
    assert np.array_equal(values(out), by_hand(frame, pearl_profile(), "absolute", False))


def test_a_missing_profile_to_imitate_is_named(tmp_path: Path) -> None:
    settings = Convert(hard_proof=True, imitate=tmp_path / "gone.icc")
    with pytest.raises(Refusal, match=r"gone\.icc, cannot be read"):
        convert(a_frame(srgb()), settings, a_job(tmp_path))


def test_the_offer_works_pixel_by_pixel_in_one_pass() -> None:
    assert (OFFER.name, OFFER.reach, OFFER.passes, OFFER.resizes) == ("convert", 0.0, "one", False)
    assert OFFER.about.startswith("Convert the picture")
