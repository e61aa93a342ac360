"""Tone and balance on pictures that were really converted, judged by LittleCMS, by the demo's print model, and on other people's working spaces.

The print model says what lies on the paper; LittleCMS in floating point says what a profile claims. Skin is the two skin patches of the
ColorChecker (as colour-science has them) in steps of lightness; limits are the project's own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import imagecodecs
import numpy as np
import pytest
import pyvips
from fetch import debian

from drydown.demo.paper import matte_model, matte_profile, pearl_model, pearl_profile
from drydown.imaging.convert import convert
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.ink_model import SimulatedPrinter
from drydown.imaging.neutral import neutral_response
from drydown.imaging.pcs import media_relative
from drydown.imaging.tone import apply_table, balance_table, tone_table
from drydown.imaging.working import wide_gamut

pytestmark = pytest.mark.reference

SPACES = (
    "AdobeRGB1998.icc",
    "ProPhotoRGB.icc",
    "ECI-RGBv2.icc",
    "sRGB.icc",
    "WideGamutRGB.icc",
    "SwappedRedAndGreen.icc",
)
PAPERS = {"pearl": (pearl_profile, pearl_model), "matte": (matte_profile, matte_model)}
LIFTS = (-6.0, -3.0, 3.0, 6.0)
CONTRASTS = (0.85, 0.9, 1.1, 1.2)
Floats = np.ndarray


@cache
def space(name: str) -> bytes:
    return (debian("colord-data") / "usr/share/color/icc/colord" / name).read_bytes()


def littlecms_lab(device: Floats, icc: bytes) -> Floats:
    """Media-relative Lab by LittleCMS in floating point."""
    lab2 = bytes(imagecodecs.cms_profile("lab2"))
    out = imagecodecs.cms_transform(
        np.ascontiguousarray(device[None]),
        icc,
        lab2,
        colorspace="rgb",
        outcolorspace="lab",
        outdtype="float64",
        intent=1,
    )
    return np.asarray(out)[0]


def picture(device: Floats) -> pyvips.Image:
    codes = np.rint(np.clip(device, 0, 1) * 65535).astype(np.uint16)
    return pyvips.Image.new_from_memory(codes.tobytes(), len(codes), 1, 3, "ushort").copy(
        interpretation="rgb16"
    )


def values(pixels: pyvips.Image) -> Floats:
    return np.frombuffer(pixels.write_to_memory(), np.uint16).reshape(-1, 3) / 65535


def converted(Lab: Floats, icc: bytes) -> pyvips.Image:
    """Colours in a wide working space, converted as a recipe would."""
    return convert(
        picture(lab_to_device(wide_gamut(), Lab)),
        wide_gamut(),
        icc,
        intent="relative",
        black_point_compensation=True,
    )


def grey_ramp(low: float, high: float) -> Floats:
    L = np.linspace(low, high, 400)
    return np.stack([L, np.zeros_like(L), np.zeros_like(L)], axis=1)


def printed(model: SimulatedPrinter, pixels: pyvips.Image) -> Floats:
    return media_relative(model.lab(values(pixels)), model.lab(np.ones((1, 3)))[0])


def at_50(before: Floats, after: Floats) -> float:
    return float(np.interp(50, before[:, 0], after[:, 0]))


def density(L_star: float) -> float:
    return -np.log10(((L_star + 16) / 116) ** 3)  # CIE 15:2004, annex


@pytest.fixture(params=sorted(PAPERS))
def paper(request: pytest.FixtureRequest) -> tuple[bytes, SimulatedPrinter]:
    profile, model = PAPERS[request.param]
    return profile(), model()


def greys_on(paper: tuple[bytes, SimulatedPrinter]) -> tuple[pyvips.Image, Floats, Floats]:
    """Converted greys that print from 6 L* above black to 97: pixels, print, and what LittleCMS reads in the profile."""
    icc, model = paper
    pixels = converted(grey_ramp(0, 100), icc)
    before = printed(model, pixels)
    black_L = printed(model, picture(np.zeros((1, 3))))[0, 0]
    kept = (before[:, 0] >= black_L + 6) & (before[:, 0] <= 97)
    codes = values(pixels)[kept]
    return picture(codes), before[kept], littlecms_lab(codes, icc)


@pytest.mark.parametrize("lift_L", LIFTS)
def test_a_converted_mid_grey_rises_by_what_was_asked(
    paper: tuple[bytes, SimulatedPrinter], lift_L: float
) -> None:
    icc, model = paper
    pixels, before, read_before = greys_on(paper)
    after = apply_table(pixels, tone_table(neutral_response(icc, channels=3), lift_L=lift_L))
    assert at_50(before, printed(model, after)) - 50 == pytest.approx(lift_L, abs=0.1)
    assert at_50(read_before, littlecms_lab(values(after), icc)) - 50 == pytest.approx(lift_L, abs=0.1)


@pytest.mark.parametrize(
    "asked", [*({"lift_L": L} for L in LIFTS), *({"contrast": c} for c in CONTRASTS)], ids=str
)
def test_converted_greys_stay_grey(paper: tuple[bytes, SimulatedPrinter], asked: dict[str, float]) -> None:
    icc, model = paper
    pixels, before, read_before = greys_on(paper)
    after = apply_table(pixels, tone_table(neutral_response(icc, channels=3), **asked))
    moved = np.hypot(*(printed(model, after) - before)[:, 1:].T).max()
    # the profile's own table has 17 points an axis: between them it reads a smooth grey as a crooked one, by up to 0.25
    claimed = np.hypot(*(littlecms_lab(values(after), icc) - read_before)[:, 1:].T).max()
    print(f"{asked}: greys move {moved:.2f} in a*b* on the print, {claimed:.2f} in the profile")
    assert moved <= 0.3
    assert claimed <= 0.5


@pytest.mark.parametrize("contrast", CONTRASTS)
def test_contrast_leaves_a_converted_mid_grey_alone(
    paper: tuple[bytes, SimulatedPrinter], contrast: float
) -> None:
    icc, model = paper
    pixels, before, read_before = greys_on(paper)
    after = apply_table(pixels, tone_table(neutral_response(icc, channels=3), contrast=contrast))
    assert at_50(before, printed(model, after)) == pytest.approx(50, abs=0.1)
    assert at_50(read_before, littlecms_lab(values(after), icc)) == pytest.approx(50, abs=0.1)


def test_ten_of_all_three_inks_darken_a_converted_mid_grey_by_0_100(
    paper: tuple[bytes, SimulatedPrinter],
) -> None:
    icc, model = paper
    pixels, before, read_before = greys_on(paper)
    table = balance_table(neutral_response(icc, channels=3), cyan=10, magenta=10, yellow=10)
    after = apply_table(pixels, table)
    assert density(at_50(before, printed(model, after))) - density(50) == pytest.approx(0.100, abs=0.003)
    claimed = at_50(read_before, littlecms_lab(values(after), icc))
    assert density(claimed) - density(50) == pytest.approx(0.100, abs=0.003)


def test_lifts_add_on_converted_greys(paper: tuple[bytes, SimulatedPrinter]) -> None:
    icc, model = paper
    pixels, before, _ = greys_on(paper)
    three = tone_table(neutral_response(icc, channels=3), lift_L=3)
    twice = apply_table(apply_table(pixels, three), three)
    assert at_50(before, printed(model, twice)) - 50 == pytest.approx(6, abs=0.15)


def test_the_pictures_own_black_moves_by_0_2_L_at_most_under_lift_3(
    paper: tuple[bytes, SimulatedPrinter],
) -> None:
    # it stands a little above the device's, which does not move at all
    icc, model = paper
    black = converted(grey_ramp(0, 0)[:1], icc)
    lifted = apply_table(black, tone_table(neutral_response(icc, channels=3), lift_L=3))
    moved = printed(model, lifted)[0, 0] - printed(model, black)[0, 0]
    print(f"the picture's black, L* {printed(model, black)[0, 0]:.2f}, moves by {moved:.2f}")
    assert 0 <= moved <= 0.2


# --- in working spaces of other people ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", SPACES)
def test_in_a_working_space_the_same_numbers_hold(name: str) -> None:
    icc = space(name)
    response = neutral_response(icc, channels=3)
    greys = picture(lab_to_device(icc, grey_ramp(6, 97)))
    before = littlecms_lab(values(greys), icc)
    for lift_L in LIFTS:
        after = littlecms_lab(values(apply_table(greys, tone_table(response, lift_L=lift_L))), icc)
        assert at_50(before, after) - 50 == pytest.approx(lift_L, abs=0.1)
        assert np.hypot(*(after - before)[:, 1:].T).max() <= 0.3
    for contrast in CONTRASTS:
        after = littlecms_lab(values(apply_table(greys, tone_table(response, contrast=contrast))), icc)
        assert at_50(before, after) == pytest.approx(50, abs=0.1)
        assert np.hypot(*(after - before)[:, 1:].T).max() <= 0.3
    table = balance_table(response, cyan=10, magenta=10, yellow=10)
    after = littlecms_lab(values(apply_table(greys, table)), icc)
    assert density(at_50(before, after)) - density(50) == pytest.approx(0.100, abs=0.003)
    # a darkening by a tenth of density is a factor of light: equal in all three channels of a linear space
    assert np.hypot(*(after - before)[:, 1:].T).max() <= 0.3


# --- colours ------------------------------------------------------------------------------------------------------


def skin() -> Floats:
    """The ColorChecker's two skin patches, from L* 38 to 80 at their own hue and at two thirds to four thirds of their chroma."""
    from colour import CCS_COLOURCHECKERS, XYZ_to_Lab, xyY_to_XYZ

    chart = CCS_COLOURCHECKERS["ColorChecker 2005"]
    found = []
    for name in ("dark skin", "light skin"):
        _, a, b = XYZ_to_Lab(xyY_to_XYZ(chart.data[name]), chart.illuminant)
        for L in np.arange(38, 81, 2.0):
            found += [(L, share * a, share * b) for share in (2 / 3, 1, 4 / 3)]
    return np.array(found)


def saturated(icc: bytes) -> Floats:
    """Colours of the paper itself with C* above 45, spread over the device."""
    axis = np.linspace(0, 1, 17)
    device = np.stack(np.meshgrid(axis, axis, axis), axis=-1).reshape(-1, 3)
    Lab = device_to_lab(icc, device)
    return np.asarray(Lab[np.hypot(Lab[:, 1], Lab[:, 2]) > 45])


def hue_turn(before: Floats, after: Floats) -> Floats:
    """Degrees between the hues of two colours."""
    h = [np.degrees(np.arctan2(Lab[:, 2], Lab[:, 1])) for Lab in (before, after)]
    return np.abs((h[1] - h[0] + 180) % 360 - 180)


def test_at_lift_3_skin_keeps_its_hue_and_rises_with_the_greys(paper: tuple[bytes, SimulatedPrinter]) -> None:
    icc, model = paper
    pixels = converted(skin(), icc)
    table = tone_table(neutral_response(icc, channels=3), lift_L=3)
    before, after = printed(model, pixels), printed(model, apply_table(pixels, table))
    turn = hue_turn(before, after)
    print(
        f"skin: hue turns {turn.mean():.2f}° in the mean, {turn.max():.2f}° at most, L* rises {np.mean(after[:, 0] - before[:, 0]):.2f}"
    )
    assert turn.max() <= 1.5
    greys, grey_before, _ = greys_on(paper)
    rise = printed(model, apply_table(greys, table))[:, 0] - grey_before[:, 0]
    wanted = np.interp(before[:, 0], grey_before[:, 0], rise)
    assert np.abs(after[:, 0] - before[:, 0] - wanted).max() <= 1.0


def test_at_lift_3_saturated_colours_keep_their_hue_and_their_lag_is_measured(
    paper: tuple[bytes, SimulatedPrinter],
) -> None:
    icc, model = paper
    pixels = picture(lab_to_device(icc, saturated(icc)))
    table = tone_table(neutral_response(icc, channels=3), lift_L=3)
    before, after = printed(model, pixels), printed(model, apply_table(pixels, table))
    turn, rise = hue_turn(before, after), after[:, 0] - before[:, 0]
    greys, grey_before, _ = greys_on(paper)
    grey_rise = printed(model, apply_table(greys, table))[:, 0] - grey_before[:, 0]
    lag = np.interp(before[:, 0], grey_before[:, 0], grey_rise) - rise
    middle = (before[:, 0] > 35) & (before[:, 0] < 65)
    print(
        f"saturated: hue turns {np.percentile(turn, 95):.2f}° at the 95th percentile; L* rises {rise[middle].mean():.2f} "
        f"between 35 and 65, {lag[middle].mean():.2f} (95th percentile {np.percentile(lag[middle], 95):.2f}) less than grey"
    )
    assert np.percentile(turn, 95) <= 3.0
    assert (
        0 < lag[middle].mean() < 3.0
    )  # they do stay behind: said in the documentation, and by the step beyond a proofing move


@pytest.mark.parametrize(
    "profile", [pearl_profile, matte_profile, *(lambda n=name: space(n) for name in SPACES)]
)
def test_white_and_black_of_the_device_stay_to_the_last_bit(profile: Callable[[], bytes]) -> None:
    ends = picture(np.array([[0.0] * 3, [1.0] * 3]))
    response = neutral_response(profile(), channels=3)
    for table in (
        tone_table(response, lift_L=6, contrast=0.85),
        balance_table(response, cyan=-20, yellow=35),
    ):
        assert np.array_equal(values(apply_table(ends, table)), values(ends))
