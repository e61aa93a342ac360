"""What a profile is said to hold: volumes as published, tags as required, and plain words for what is no device's profile."""

from __future__ import annotations

import numpy as np
import pytest

from drydown.demo.paper import matte_profile, pearl_model, pearl_profile
from drydown.imaging.gamut_body import body_of
from drydown.imaging.gamut_picture import Drawn, gamut_svg
from drydown.imaging.icc import BadProfile
from drydown.imaging.icc_required import missing_tags
from drydown.imaging.profile_facts import compare, facts_of
from drydown.imaging.working import grey_srgb, oprgb, srgb


@pytest.mark.parametrize(("space", "published"), [(srgb, 832_870), (oprgb, 1_208_631)])
def test_volumes_of_working_spaces_are_the_published_ones(space, published: float) -> None:
    """In cubic Lab units, as commonly tabled for these primaries and curves (figures from memory)."""
    assert body_of(space()).volume == pytest.approx(published, rel=0.002)


def test_a_space_inside_another_is_shared_whole_and_sharing_is_mutual() -> None:
    small, large = body_of(srgb()), body_of(oprgb())
    assert small.shared(large) == pytest.approx(small.volume, rel=0.001)
    assert small.shared(body_of(pearl_profile())) == pytest.approx(body_of(pearl_profile()).shared(small))


def test_cuts_go_through_the_devices_own_corners() -> None:
    from drydown.imaging.icc_exact import device_to_lab

    L, a, b = device_to_lab(srgb(), np.array([[1.0, 0.0, 0.0]]))[0]
    (outline,) = body_of(srgb()).slice_L(float(L))
    assert np.linalg.norm(outline - (a, b), axis=1).min() < 1.5
    hue = float(np.degrees(np.arctan2(b, a)))
    assert np.linalg.norm(body_of(srgb()).slice_hue(hue) - (np.hypot(a, b), L), axis=1).min() < 2


def test_white_and_black_are_those_of_the_paper() -> None:
    found = facts_of(pearl_profile())
    paper, black = pearl_model().lab(np.array([[1.0, 1, 1], [0, 0, 0]]))
    assert found.white == pytest.approx(tuple(paper), abs=0.1)
    assert found.black == pytest.approx(tuple(black), abs=0.2)
    assert found.black_density == pytest.approx(2.10, abs=0.02)
    assert found.missing == ()
    assert set(found.round_trip) == {"perceptual", "relative", "saturation"}
    assert max(abs(Lab[1]) for _, Lab in found.greys) < 1 < (found.equal_off or 0)


def test_a_profile_is_like_itself_and_unlike_another() -> None:
    same = compare(pearl_profile(), pearl_profile())
    assert same.relative == (0, 0, 0) and same.absolute == (0, 0, 0) and same.greys_ab == 0
    other = compare(pearl_profile(), matte_profile())
    assert other.relative[0] > 3 and other.black_dE00 > 5 and other.white_dE00 < 4


def test_grey_has_no_body_and_no_pair_among_rgb() -> None:
    assert facts_of(grey_srgb()).volume is None
    with pytest.raises(ValueError, match="share no device values"):
        compare(grey_srgb(), srgb())


@pytest.mark.parametrize(
    ("signature", "word"), [(b"nmcl", "named-colour"), (b"abst", "abstract"), (b"link", "device link")]
)
def test_what_describes_no_device_is_named(signature: bytes, word: str) -> None:
    changed = bytearray(srgb())
    changed[12:16] = signature
    with pytest.raises(BadProfile, match=word):
        facts_of(bytes(changed))


def test_missing_tags_are_those_of_the_nearest_way() -> None:
    assert missing_tags("prtr", "RGB", ("desc", "cprt", "wtpt", "A2B0", "B2A0")) == (
        "A2B1",
        "A2B2",
        "B2A1",
        "B2A2",
        "gamt",
    )
    assert missing_tags("mntr", "RGB", ("desc", "cprt", "wtpt", "rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC")) == (
        "bTRC",
    )
    assert missing_tags("mntr", "GRAY", ("desc", "cprt", "kTRC")) == ("wtpt",)
    assert missing_tags("link", "RGB", ("desc", "cprt", "A2B0")) == ("pseq",)


def test_the_picture_escapes_a_profiles_name() -> None:
    svg = gamut_svg("<script>", [Drawn("a<b>&", body_of(srgb()))])
    assert "<script>" not in svg and "a&lt;b&gt;&amp;" in svg
    assert svg.count("<polygon") == 12
