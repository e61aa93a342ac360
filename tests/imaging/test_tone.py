"""Tone and balance as tables, judged on the print that the demo's model makes of them.

The limits are the project's own; L* and density are CIE 15:2004's and ISO 5-3's. What outside engines and profiles say of the same tables is
in tests/reference/test_tone_reference.py.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import pyvips
from hypothesis import given, settings
from hypothesis import strategies as st

from drydown.demo.paper import matte_model, matte_profile, pearl_model, pearl_profile
from drydown.errors import Hold
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.ink_model import SimulatedPrinter
from drydown.imaging.neutral import NeutralResponse, neutral_response
from drydown.imaging.pcs import media_relative
from drydown.imaging.tone import Table, apply_table, balance_table, laid_down, tone_table
from drydown.imaging.working import grey_srgb, srgb, wide_gamut

Floats = np.ndarray
PAPERS = [
    pytest.param(pearl_profile, pearl_model, id="pearl"),
    pytest.param(matte_profile, matte_model, id="matte"),
]
SPACES = [pytest.param(f, id=f.__name__) for f in (pearl_profile, matte_profile, srgb, wide_gamut)]
LIFTS = (-6.0, -3.0, 3.0, 6.0)
CONTRASTS = (0.8, 0.85, 0.9, 1.1, 1.2, 1.25)


def through(table: Table, device: Floats) -> Floats:
    """Device values 0..1 (N, 3) through a table, between its entries too."""
    codes = np.arange(65536)
    return np.stack([np.interp(device[:, k] * 65535, codes, table[:, k]) for k in range(3)], axis=1) / 65535


def printed(model: SimulatedPrinter, device: Floats) -> Floats:
    """Media-relative Lab of the print itself."""
    return media_relative(model.lab(device), model.lab(np.ones((1, 3)))[0])


def greys(icc: bytes, *, step: float = 0.5) -> Floats:
    """Device values of true greys from 6 L* above black to 97."""
    black_L = device_to_lab(icc, np.zeros((1, 3)))[0, 0]
    L = np.arange(black_L + 6, 97 + step / 2, step)
    return lab_to_device(icc, np.stack([L, np.zeros_like(L), np.zeros_like(L)], axis=1))


def at_mid_grey(before: Floats, after: Floats) -> float:
    """L* after, where it was 50 before."""
    return float(np.interp(50, before[:, 0], after[:, 0]))


def density(L_star: float) -> float:
    return -np.log10(((L_star + 16) / 116) ** 3)  # CIE 15:2004, annex: Y of L*


@pytest.mark.parametrize(("profile", "model"), PAPERS)
@pytest.mark.parametrize("lift_L", LIFTS)
def test_a_true_mid_grey_rises_by_what_was_asked(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter], lift_L: float
) -> None:
    device = greys(profile())
    table = tone_table(neutral_response(profile(), channels=3), lift_L=lift_L)
    before, after = printed(model(), device), printed(model(), through(table, device))
    assert at_mid_grey(before, after) - 50 == pytest.approx(lift_L, abs=0.1)


@pytest.mark.parametrize(("profile", "model"), PAPERS)
@pytest.mark.parametrize("asked", [*({"lift_L": L} for L in LIFTS), *({"contrast": c} for c in CONTRASTS)])
def test_greys_stay_grey_on_the_print(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter], asked: dict[str, float]
) -> None:
    device = greys(profile())
    table = tone_table(neutral_response(profile(), channels=3), **asked)
    before, after = printed(model(), device), printed(model(), through(table, device))
    assert np.hypot(*(after - before)[:, 1:].T).max() <= 0.3


@pytest.mark.parametrize(("profile", "model"), PAPERS)
def test_equal_channels_are_far_from_grey_on_this_paper_or_the_test_above_would_prove_nothing(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter]
) -> None:
    equal = np.linspace(0.1, 0.9, 33)[:, None].repeat(3, axis=1)
    assert np.hypot(*printed(model(), equal)[:, 1:].T).max() >= 5
    one_curve = tone_table(neutral_response(srgb(), channels=3), contrast=1.2)
    device = greys(profile())
    moved = printed(model(), through(one_curve, device)) - printed(model(), device)
    assert np.hypot(*moved[:, 1:].T).max() > 1


@pytest.mark.parametrize(("profile", "model"), PAPERS)
@pytest.mark.parametrize("contrast", CONTRASTS)
def test_contrast_turns_about_mid_grey(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter], contrast: float
) -> None:
    device = greys(profile())
    table = tone_table(neutral_response(profile(), channels=3), contrast=contrast)
    before, after = printed(model(), device), printed(model(), through(table, device))
    assert at_mid_grey(before, after) == pytest.approx(50, abs=0.1)
    lighter = np.interp(60, before[:, 0], after[:, 0]) - np.interp(40, before[:, 0], after[:, 0])
    assert lighter > 20 if contrast > 1 else lighter < 20


@pytest.mark.parametrize(("profile", "model"), PAPERS)
def test_ten_of_all_three_inks_darken_mid_grey_by_a_tenth_of_density(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter]
) -> None:
    device = greys(profile())
    table = balance_table(neutral_response(profile(), channels=3), cyan=10, magenta=10, yellow=10)
    before, after = printed(model(), device), printed(model(), through(table, device))
    assert density(at_mid_grey(before, after)) - density(50) == pytest.approx(0.100, abs=0.003)
    assert np.hypot(*(after - before)[:, 1:].T).max() <= 0.3


@pytest.mark.parametrize(
    ("ink", "channel"), [("cyan", 0), ("magenta", 1), ("yellow", 2)], ids=["cyan", "magenta", "yellow"]
)
def test_a_positive_number_is_more_of_that_ink_on_the_paper(ink: str, channel: int) -> None:
    table = balance_table(neutral_response(pearl_profile(), channels=3), **{ink: 10})
    moved = table.astype(int) - np.arange(65536)[:, None]
    assert moved[1000:64000, channel].max() < 0  # less of the light that the ink swallows
    others = [k for k in range(3) if k != channel]
    assert not moved[:, others].any()
    device = greys(pearl_profile())
    turned = (printed(pearl_model(), through(table, device)) - printed(pearl_model(), device))[:, 1:]
    towards = {"cyan": (-1, -1), "magenta": (1, -1), "yellow": (0, 1)}[ink]
    middle = turned[len(turned) // 2]
    assert (middle * towards >= 0).all() and np.abs(middle).max() > 2


@pytest.mark.parametrize(("profile", "model"), PAPERS)
@pytest.mark.parametrize(
    "inks", [(10, 0, 0), (0, 10, 0), (0, 0, 10), (-10, 0, 0), (0, -10, 0), (0, 0, -10), (10, -10, 0)]
)
def test_held_lightness_turns_colour_and_leaves_mid_greys_lightness(
    profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter], inks: tuple[int, int, int]
) -> None:
    device, response = greys(profile()), neutral_response(profile(), channels=3)
    cyan, magenta, yellow = inks
    table = balance_table(response, cyan=cyan, magenta=magenta, yellow=yellow, hold_lightness=True)
    before, after = printed(model(), device), printed(model(), through(table, device))
    assert at_mid_grey(before, after) == pytest.approx(50, abs=0.3)
    assert np.hypot(*(after - before)[:, 1:].T).max() > 2


def test_what_is_laid_down_makes_the_same_table_without_holding() -> None:
    response = neutral_response(pearl_profile(), channels=3)
    cyan, magenta, yellow = laid_down(response, (8, -3, 1))
    held = balance_table(response, cyan=8, magenta=-3, yellow=1, hold_lightness=True)
    assert np.array_equal(held, balance_table(response, cyan=cyan, magenta=magenta, yellow=yellow))


@pytest.mark.parametrize("profile", SPACES)
@settings(max_examples=25, deadline=None)
@given(lift_L=st.floats(-12, 12), contrast=st.floats(0.8, 1.25), inks=st.tuples(*[st.floats(-60, 60)] * 3))
def test_tables_rise_and_keep_the_devices_white_and_black(
    profile: Callable[[], bytes], lift_L: float, contrast: float, inks: tuple[float, float, float]
) -> None:
    response = neutral_response(profile(), channels=3)
    cyan, magenta, yellow = inks
    for table in (
        tone_table(response, lift_L=lift_L, contrast=contrast),
        balance_table(response, cyan=cyan, magenta=magenta, yellow=yellow),
    ):
        assert table.dtype == np.uint16 and table.shape == (65536, 3)
        assert (table[0] == 0).all() and (table[-1] == 65535).all()
        assert (np.diff(table.astype(int), axis=0) >= 0).all()


@pytest.mark.parametrize("profile", SPACES)
def test_nothing_asked_is_the_identity(profile: Callable[[], bytes]) -> None:
    response, codes = neutral_response(profile(), channels=3), np.arange(65536)[:, None].repeat(3, axis=1)
    assert np.array_equal(tone_table(response), codes)
    assert np.array_equal(balance_table(response), codes)


@pytest.mark.parametrize(("profile", "model"), PAPERS)
def test_lifts_add(profile: Callable[[], bytes], model: Callable[[], SimulatedPrinter]) -> None:
    device, response = greys(profile()), neutral_response(profile(), channels=3)
    three = tone_table(response, lift_L=3)
    twice = through(three, through(three, device))
    before, after = printed(model(), device), printed(model(), twice)
    assert at_mid_grey(before, after) - 50 == pytest.approx(6, abs=0.15)


def test_balances_add_to_within_a_code() -> None:
    response = neutral_response(pearl_profile(), channels=3)
    parts = [balance_table(response, magenta=magenta)[:, 1] for magenta in (4, 9)]
    both = balance_table(response, magenta=13)[:, 1]
    assert np.abs(parts[1][parts[0]].astype(int) - both).max() <= 1


def test_tone_then_balance_is_within_a_code_of_one_table() -> None:
    response = neutral_response(pearl_profile(), channels=3)
    tone, lift = tone_table(response, lift_L=3, contrast=0.9), tone_table(response, lift_L=3)
    contrast, balance = tone_table(response, contrast=0.9), balance_table(response, magenta=10)
    assert np.abs(lift[contrast[:, 1], 1].astype(int) - tone[:, 1]).max() <= 2  # two roundings, slope up to 2
    assert (
        np.abs(balance[tone[:, 1], 1].astype(int) - tone[balance[:, 1], 1]).max() > 2
    )  # so order does count


def curve(response: NeutralResponse, channel: int, lift_L: float, contrast: float) -> Floats:
    """The design's formula, written with logarithms: device after, unrounded, for every code but the two ends."""
    black_L, span_L = response.black_L, response.white_L - response.black_L
    L = response.L_star[1:-1, channel]
    t = (L - black_L) / span_L
    mid, raised = (50 - black_L) / span_L, (50 + lift_L - black_L) / span_L
    x, x50 = np.log(t / (1 - t)), np.log(mid / (1 - mid))
    turned = 1 / (1 + np.exp(-(x50 + contrast * (x - x50))))
    if contrast < 1:
        turned = np.clip(turned, 2 * t - 1, 2 * t)  # straight toe and shoulder of slope 2
    shift = np.log(raised / (1 - raised)) - x50
    after = 1 / (1 + np.exp(-(np.log(turned / (1 - turned)) + shift)))
    return np.interp(black_L + span_L * after, response.L_star[:, channel], np.arange(65536))


@pytest.mark.parametrize("profile", SPACES)
@pytest.mark.parametrize("contrast", [0.8, 0.85, 0.9, 1.0, 1.1, 1.2, 1.25])
@pytest.mark.parametrize("lift_L", [-6.0, 0.0, 3.0, 6.0])
def test_a_table_is_the_formula_to_a_rounding_and_never_jumps(
    profile: Callable[[], bytes], contrast: float, lift_L: float
) -> None:
    response = neutral_response(profile(), channels=3)
    table = tone_table(response, lift_L=lift_L, contrast=contrast)
    for k in range(3):
        wanted = curve(response, k, lift_L, contrast)
        assert np.abs(table[1:-1, k] - wanted).max() <= 0.51
        # the limit is 4 codes beyond the curve's own slope
        assert (np.diff(table[1:-1, k].astype(int)) - np.diff(wanted)).max() <= 1.02
    if abs(lift_L) <= 4:  # a proofing move
        assert np.diff(table.astype(int), axis=0).max() <= 4


@pytest.mark.parametrize("contrast", [0.8, 0.9])
def test_below_1_no_slope_is_steeper_than_2(contrast: float) -> None:
    response = neutral_response(matte_profile(), channels=3)
    table = tone_table(response, contrast=contrast)
    for k in range(3):
        t = (response.L_star[:, k] - response.black_L) / (response.white_L - response.black_L)
        # a rounded code is off by half a code: a slope measured over 200 codes by a per cent or two
        slope = (t[table[200:, k]] - t[table[:-200, k]]) / (t[200:] - t[:-200])
        assert slope.max() <= 2.03
        assert slope.max() >= 1.9 if contrast == 0.8 else slope.max() < 2.03


def test_neighbouring_8_bit_greys_never_stand_more_than_one_L_apart() -> None:
    device = np.linspace(0, 1, 256)[:, None].repeat(3, axis=1)
    for profile, model in ((pearl_profile, pearl_model), (matte_profile, matte_model)):
        response = neutral_response(profile(), channels=3)
        for asked in ({"lift_L": 4.0}, {"lift_L": -4.0}, {"contrast": 0.8}, {"contrast": 1.25}):
            L = printed(model(), through(tone_table(response, **asked), device))[:, 0]
            assert np.diff(L).max() <= 1.0
            assert np.diff(L).min() > 0


@pytest.mark.parametrize("space", [srgb, wide_gamut])
def test_in_a_matrix_space_the_three_curves_are_one(space: Callable[[], bytes]) -> None:
    response = neutral_response(space(), channels=3)
    assert np.array_equal(response.L_star[:, 0], response.L_star[:, 1])
    assert np.array_equal(response.L_star[:, 0], response.L_star[:, 2])
    table = tone_table(response, lift_L=3, contrast=1.1)
    assert (table[:, 0] == table[:, 1]).all() and (table[:, 1] == table[:, 2]).all()


def test_lightness_is_weighed_by_the_profile_and_not_by_a_video_standard() -> None:
    weights = neutral_response(pearl_profile(), channels=3).weights
    assert sum(weights) == pytest.approx(1)
    red, green, blue = weights
    assert 0.3 < red < 0.5 and 0.35 < green < 0.6 and 0.05 < blue < 0.25
    # in a linear-light sense sRGB's own are IEC 61966-2-1's luminance factors
    assert neutral_response(srgb(), channels=3).weights == pytest.approx((0.2225, 0.7169, 0.0606), abs=0.01)


def test_a_lift_beyond_the_paper_is_refused_with_its_numbers() -> None:
    with pytest.raises(ValueError, match=r"L\* 20, outside the paper's 21"):
        tone_table(neutral_response(matte_profile(), channels=3), lift_L=-30)


@pytest.mark.parametrize(
    ("icc", "channels", "sentence"),
    [
        (None, 3, "no profile"),
        (grey_srgb(), 1, "is grey"),
        (srgb(), 4, "transparency or is CMYK"),
        (b"rubbish" * 50, 3, "cannot be found"),
    ],
)
def test_a_picture_without_three_channels_and_a_profile_is_held(
    icc: bytes | None, channels: int, sentence: str
) -> None:
    with pytest.raises(Hold, match=sentence) as held:
        neutral_response(icc, channels=channels)
    assert "convert" in held.value.sentence


def test_a_picture_goes_through_a_table_pixel_by_pixel() -> None:
    table = tone_table(neutral_response(pearl_profile(), channels=3), lift_L=3)
    codes = np.random.default_rng(8).integers(0, 65536, (40, 30, 3), dtype=np.uint16)
    pixels = pyvips.Image.new_from_memory(codes.tobytes(), 30, 40, 3, "ushort").copy(interpretation="rgb16")
    out = apply_table(pixels, table)
    assert (out.interpretation, out.format) == ("rgb16", "ushort")
    got = np.frombuffer(out.write_to_memory(), np.uint16).reshape(40, 30, 3)
    assert np.array_equal(got, np.stack([table[codes[..., k], k] for k in range(3)], axis=-1))


def test_a_table_for_three_channels_is_not_put_on_one() -> None:
    table = tone_table(neutral_response(pearl_profile(), channels=3))
    with pytest.raises(TypeError, match="1 of ushort"):
        apply_table(pyvips.Image.black(4, 4).cast("ushort"), table)
