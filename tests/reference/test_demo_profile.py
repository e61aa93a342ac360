"""The demo's pearl profile, judged by engines that did not make it and against the model that it was made from.

Engines: LittleCMS at 16 bits (imagecodecs), LittleCMS at 8 bits (Pillow), the ICC's own (iccdev). Colour differences
are CIEDE2000 by colour-science. The limits are the project's own; where a limit is a standard's, the check names it.
"""

import struct
from collections.abc import Callable, Iterator
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Final

import iccdev
import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from drydown.demo.paper import matte_model, matte_profile, pearl_model, pearl_profile
from drydown.imaging import printer_profile as printer_profile_module
from drydown.imaging.icc_tags import Lut16
from drydown.imaging.pcs import Floats, media_relative, xyz_from_lab
from drydown.imaging.printer_figures import GREYS_FROM_ABOVE_BLACK_L, GREYS_TO_L, measure
from drydown.imaging.printer_profile import printer_tables
from drydown.imaging.working import srgb, wide_gamut

pytestmark = pytest.mark.reference

#: ICC.1:2001-04, 6.3.3: what an RGB output profile has to hold.
REQUIRED_TAGS: Final = {
    "desc",
    "A2B0",
    "B2A0",
    "gamt",
    "A2B1",
    "B2A1",
    "A2B2",
    "B2A2",
    "wtpt",
    "cprt",
}
INTENTS: Final = {"perceptual": 0, "relative": 1, "absolute": 3}
BPC, EXACT = int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION), int(imagecodecs.CMS.FLAGS.NOOPTIMIZE)
SOURCES: Final = [pytest.param(srgb, id="srgb"), pytest.param(wide_gamut, id="romm")]
STEPS_BETWEEN_CODES: Final = 8


def delta_e(first: Floats, second: Floats) -> Floats:
    from colour.difference import delta_E_CIE2000

    return np.asarray(delta_E_CIE2000(first, second))


def convert(
    values: Floats, source: bytes, target: bytes, intent: str, flags: int = 0, to: str = "rgb"
) -> Floats:
    """Values 0..1 (N, 3) through LittleCMS at 16 bits; its default path unless `flags` say otherwise."""
    codes = imagecodecs.cms_transform(
        np.round(np.clip(values, 0, 1) * 65535).astype(np.uint16)[None],
        source,
        target,
        colorspace="lab" if source == LAB else "rgb",
        outcolorspace=to,
        intent=INTENTS[intent],
        flags=flags,
        outdtype="uint16",
    )[0]
    return codes / 65535


LAB: Final = imagecodecs.cms_profile("lab4")


def lab_codes(Lab: Floats) -> Floats:
    """Version 4's 16-bit Lab (ICC.1:2010, table 12) as 0..1."""
    return np.asarray((Lab + np.array([0, 128, 128])) / [100, 255, 255])


def lab_of_device(device: Floats, intent: str) -> Floats:
    return lab_of_profile(pearl_profile(), device, intent)


def lab_of_profile(icc: bytes, values: Floats, intent: str) -> Floats:
    """Lab by LittleCMS's exact path."""
    return convert(values, icc, LAB, intent, EXACT, to="lab") * [100, 255, 255] - [0, 128, 128]


def printed(device: Floats) -> Floats:
    """What the simulated printer lays down, relative to its paper."""
    return media_relative(pearl_model().lab(device), pearl_model().lab(np.ones((1, 3)))[0])


def chroma(Lab: Floats) -> Floats:
    return np.hypot(Lab[:, 1], Lab[:, 2])


def grey_ramp() -> Floats:
    """From black to white in eighths of an 8-bit step (N, 3), 0..1."""
    return np.repeat(np.linspace(0, 1, 255 * STEPS_BETWEEN_CODES + 1)[:, None], 3, axis=1)


@pytest.fixture(scope="module")
def black_L_star() -> float:
    return float(printed(np.zeros((1, 3)))[0, 0])


@pytest.fixture(scope="module")
def tables() -> dict[str, Lut16]:
    """The pearl's tables, worked out apart from those in its profile."""
    return printer_tables(pearl_model().lab)


@pytest.fixture(scope="module")
def device() -> Floats:
    return np.round(np.random.default_rng(11).random((20_000, 3)) * 65535) / 65535


@pytest.fixture(scope="module")
def on_disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("profiles")
    for name, profile in (("pearl", pearl_profile()), ("srgb", srgb()), ("wide_gamut", wide_gamut())):
        (folder / f"{name}.icc").write_bytes(profile)
    return folder


def through_iccdev(
    values: Floats, *profiles: Path, intent: str, bpc: bool = False, lab: bool = False
) -> Floats:
    engine = iccdev.IccCmm(dst_space=iccdev.ColorSpace.Lab) if lab else iccdev.IccCmm()
    with closing(engine):
        for profile in profiles:
            engine.attach(profile, intent=iccdev.RenderingIntent(INTENTS[intent]), use_bpc=bpc)
        engine.begin()
        return np.asarray(
            engine.apply_ndarray(np.ascontiguousarray(values, dtype=np.float32)), dtype=np.float64
        )


def tag_names(profile: bytes) -> Iterator[str]:
    (count,) = struct.unpack_from(">I", profile, 128)
    for i in range(count):
        yield profile[132 + 12 * i : 136 + 12 * i].decode("ascii")


# --- what it is ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", [pearl_profile, matte_profile])
def test_the_icc_s_own_checker_finds_nothing_to_say(profile: Callable[[], bytes]) -> None:
    result = iccdev.validate_profile(profile())
    assert (result.status, result.report) == (iccdev.ValidationStatus.OK, "")


@pytest.mark.parametrize("profile", [pearl_profile, matte_profile])
def test_it_holds_every_tag_that_icc_1_requires_of_an_output_profile(profile: Callable[[], bytes]) -> None:
    names = list(tag_names(profile()))
    assert len(names) == len(set(names))
    assert set(names) >= REQUIRED_TAGS


def test_it_opens_in_pillow_as_an_rgb_output_profile_for_every_intent() -> None:
    opened = ImageCms.getOpenProfile(BytesIO(pearl_profile())).profile
    assert (opened.device_class, opened.xcolor_space, opened.connection_space) == ("prtr", "RGB ", "Lab ")
    for intent in range(4):
        assert opened.is_intent_supported(intent, ImageCms.Direction.OUTPUT)
        assert opened.is_intent_supported(intent, ImageCms.Direction.INPUT)
    assert opened.attributes == 0
    assert ImageCms.getOpenProfile(BytesIO(matte_profile())).profile.attributes == 2


def test_pillow_converts_to_it() -> None:
    picture = Image.linear_gradient("L").convert("RGB")
    transform = ImageCms.buildTransform(
        ImageCms.getOpenProfile(BytesIO(srgb())),
        ImageCms.getOpenProfile(BytesIO(pearl_profile())),
        "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    sheet = np.asarray(ImageCms.applyTransform(picture, transform))
    assert sheet[-1].tolist() == [[255, 255, 255]] * 256
    assert (np.diff(sheet[:, 0].astype(int), axis=0) >= 0).all()


def test_its_white_point_is_the_bare_paper() -> None:
    white = ImageCms.getOpenProfile(BytesIO(pearl_profile())).profile.media_white_point[0]
    np.testing.assert_allclose(white, xyz_from_lab(pearl_model().lab(np.ones((1, 3)))[0]), atol=2e-5)


def test_the_paper_and_its_inks_are_of_the_size_that_measured_ones_are(black_L_star: float) -> None:
    """Common practice, no source: a brightened pearl, and a black that photo inks reach on it."""
    L_star, _, b_star = pearl_model().lab(np.ones((1, 3)))[0]
    assert 95 <= L_star <= 96
    assert -4 <= b_star <= -2
    assert 7 <= black_L_star <= 9


def test_equal_device_values_are_well_off_neutral_as_on_real_printers() -> None:
    assert 6 <= chroma(printed(grey_ramp())).max() <= 9


# --- device to Lab ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("intent", ["relative", "absolute"])
def test_lab_from_device_is_the_model_through_littlecms(device: Floats, intent: str) -> None:
    expected = pearl_model().lab(device) if intent == "absolute" else printed(device)
    off = delta_e(lab_of_device(device, intent), expected)
    assert off.mean() <= 0.08
    assert off.max() <= 1.0


def test_lab_from_device_is_the_model_through_the_icc_s_engine(device: Floats, on_disk: Path) -> None:
    codes = through_iccdev(device, on_disk / "pearl.icc", intent="relative", lab=True)
    off = delta_e(codes * [100, 255, 255] - [0, 128, 128], printed(device))
    assert off.mean() <= 0.08
    assert off.max() <= 1.0


# --- Lab to device ------------------------------------------------------------------------------------------------


def in_gamut_limits(off: Floats) -> None:
    assert off.mean() <= 0.25
    assert np.percentile(off, 95) <= 0.7
    assert np.percentile(off, 99) <= 1.1


def test_colours_in_gamut_come_back_through_both_tables(device: Floats) -> None:
    wanted = printed(device)
    found = convert(lab_codes(wanted), LAB, pearl_profile(), "relative", EXACT)
    in_gamut_limits(delta_e(lab_of_device(found, "relative"), wanted))


def test_colours_in_gamut_are_printed_as_asked(device: Floats) -> None:
    wanted = printed(device)
    found = convert(lab_codes(wanted), LAB, pearl_profile(), "relative", EXACT)
    in_gamut_limits(delta_e(printed(found), wanted))


def test_colours_in_gamut_come_back_through_the_perceptual_tables(device: Floats) -> None:
    wanted = printed(device)
    found = convert(lab_codes(wanted), LAB, pearl_profile(), "perceptual", EXACT)
    in_gamut_limits(delta_e(lab_of_device(found, "perceptual"), wanted))


def test_greys_are_printed_neutral_and_rising(black_L_star: float) -> None:
    lightness = np.linspace(black_L_star + GREYS_FROM_ABOVE_BLACK_L, GREYS_TO_L, 2000)
    asked = np.stack([lightness, 0 * lightness, 0 * lightness], axis=1)
    greys = printed(convert(lab_codes(asked), LAB, pearl_profile(), "relative", EXACT))
    assert chroma(greys).max() <= 1.0
    assert np.diff(greys[:, 0]).min() >= -0.01
    assert np.abs(greys[:, 0] - lightness).max() <= 0.5


def test_our_own_reader_finds_the_same_figures(tables: dict[str, Lut16]) -> None:
    figures = measure(pearl_model().lab, tables)
    assert figures.a2b_mean <= 0.08
    assert figures.a2b_max <= 1.0
    assert figures.b2a_mean <= 0.25
    assert figures.b2a_p95 <= 0.7
    assert figures.b2a_p99 <= 1.1
    assert figures.grey_chroma <= 1.0
    assert figures.grey_reversal <= 0.01


def test_the_matte_stock_s_tables_are_as_good() -> None:
    figures = measure(matte_model().lab, printer_tables(matte_model().lab))
    assert 20 <= figures.black_lab[0] <= 24
    assert figures.axis_off_neutral >= 5
    assert figures.a2b_mean <= 0.08
    assert figures.b2a_p99 <= 1.1
    assert figures.grey_chroma <= 1.0
    assert figures.grey_reversal <= 0.01


# --- pictures' way: working space to printer, LittleCMS' default path ---------------------------------------------


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize(("intent", "flags"), [("relative", BPC), ("perceptual", 0), ("perceptual", BPC)])
def test_a_picture_s_greys_are_printed_neutral_rising_and_without_a_corner(
    source: Callable[[], bytes], intent: str, flags: int, black_L_star: float
) -> None:
    ramp = grey_ramp()
    device = convert(ramp, source(), pearl_profile(), intent, flags)
    greys = printed(device)
    judged = (greys[:, 0] >= black_L_star + GREYS_FROM_ABOVE_BLACK_L) & (greys[:, 0] <= GREYS_TO_L)
    assert chroma(greys)[judged].max() <= 1.0
    assert np.diff(greys[:, 0]).min() >= -0.01
    assert np.abs(np.diff(greys[::STEPS_BETWEEN_CODES, 0], 2)).max() <= 0.3
    assert device[-1].tolist() == [1.0, 1.0, 1.0]


@pytest.mark.parametrize("source", SOURCES)
def test_the_perceptual_rendering_keeps_shadow_detail_with_black_point_compensation_and_without(
    source: Callable[[], bytes],
) -> None:
    """0.15 L* of print for each L* of source from L* 5 up. Version 2 has no reference medium: both ways are sound."""
    profile = source()
    ramp = grey_ramp()
    asked = (convert(ramp, profile, LAB, "relative", EXACT, to="lab") * 100)[:, 0]
    by_flag = [
        printed(convert(ramp, profile, pearl_profile(), "perceptual", flags))[:, 0] for flags in (0, BPC)
    ]
    for lightness in by_flag:
        places = np.arange(5.0, 100.5, 1.0)
        slope = np.diff(np.interp(places, asked, lightness))
        assert slope.min() >= 0.15
    np.testing.assert_allclose(by_flag[0], by_flag[1], atol=0.05)


def test_on_matte_too_perceptual_shadows_stay_apart() -> None:
    """The hard case: a black of L* 21 that would swallow a fifth of the scale."""
    paper = matte_model().lab(np.ones((1, 3)))[0]
    asked = (convert(grey_ramp(), srgb(), LAB, "relative", EXACT, to="lab") * 100)[:, 0]
    device = convert(grey_ramp(), srgb(), matte_profile(), "perceptual", BPC)
    lightness = media_relative(matte_model().lab(device), paper)[:, 0]
    assert np.diff(np.interp(np.arange(5.0, 100.5, 1.0), asked, lightness)).min() >= 0.15


def test_the_source_s_black_reaches_the_device_s_black_or_nearly(black_L_star: float) -> None:
    black = np.zeros((1, 3))
    perceptual = printed(convert(black, srgb(), pearl_profile(), "perceptual", BPC))[0, 0]
    relative = printed(convert(black, srgb(), pearl_profile(), "relative", BPC))[0, 0]
    assert perceptual == pytest.approx(black_L_star, abs=0.05)
    # The nearest neutral that can be printed stands a little above the deepest black, which has a colour of its own.
    assert black_L_star <= relative <= black_L_star + 1.0


def test_a_sixteen_bit_ramp_keeps_its_levels() -> None:
    ramp = np.repeat(np.linspace(0, 1, 65536)[:, None], 3, axis=1)
    sheet = convert(ramp, wide_gamut(), pearl_profile(), "relative", BPC)
    assert min(len(np.unique(sheet[:, channel])) for channel in range(3)) >= 40_000


@pytest.mark.parametrize(
    ("intent", "bpc"), [("perceptual", False), ("relative", False), ("relative", True), ("absolute", False)]
)
@pytest.mark.parametrize("name", ["srgb", "wide_gamut"])
def test_two_engines_print_the_same(on_disk: Path, name: str, intent: str, bpc: bool) -> None:
    values = np.round(np.random.default_rng(2).random((5000, 3)) * 65535) / 65535
    source = on_disk / f"{name}.icc"
    ours = convert(values, source.read_bytes(), pearl_profile(), intent, BPC if bpc else 0)
    theirs = through_iccdev(values, source, on_disk / "pearl.icc", intent=intent, bpc=bpc)
    assert delta_e(pearl_model().lab(ours), pearl_model().lab(theirs)).mean() <= 0.3


# --- outside the gamut --------------------------------------------------------------------------------------------

CORNERS: Final = np.array(
    [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1], [1, 0, 1], [1, 1, 0], [1, 0.5, 0], [0, 0.5, 1]], dtype=float
)


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
@pytest.mark.parametrize("start", [0.0, 0.5, 1.0], ids=["from black", "from grey", "from white"])
def test_a_run_into_a_colour_that_cannot_be_printed_stays_smooth(intent: str, start: float) -> None:
    for corner in CORNERS:
        run = start + (corner - start) * np.linspace(0, 1, 256)[:, None]
        sheet = printed(convert(run, srgb(), pearl_profile(), intent, BPC))
        assert np.linalg.norm(np.diff(sheet, axis=0), axis=1).max() < 1.5
        assert np.linalg.norm(np.diff(sheet, 2, axis=0), axis=1).max() < 0.6


def oklab(Lab: Floats) -> Floats:
    """By colour-science, adapted to D65."""
    import colour

    d50, d65 = (
        colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name] for name in ("D50", "D65")
    )
    XYZ = colour.chromatic_adaptation(
        xyz_from_lab(Lab), colour.xy_to_XYZ(d50), colour.xy_to_XYZ(d65), transform="Bradford"
    )
    return np.asarray(colour.XYZ_to_Oklab(XYZ))


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
def test_colours_that_cannot_be_printed_keep_their_hue(intent: str) -> None:
    values = np.random.default_rng(6).random((8000, 3))
    wanted = convert(values, srgb(), LAB, "relative", EXACT, to="lab") * [100, 255, 255] - [0, 128, 128]
    sheet = printed(convert(values, srgb(), pearl_profile(), intent, BPC))
    colourful = chroma(wanted) > 20
    if intent == "relative":
        # Clipped where hues are even; CIELAB's bend in the blues is not to be followed. Near black it is black point compensation that turns hues.
        colourful &= wanted[:, 0] > 20
        sheet, wanted = oklab(sheet), oklab(wanted)
    turn = np.arctan2(sheet[:, 2], sheet[:, 1]) - np.arctan2(wanted[:, 2], wanted[:, 1])
    turned_deg = np.degrees(np.abs((turn + np.pi) % (2 * np.pi) - np.pi))[colourful]
    assert np.median(turned_deg) <= 1
    assert turned_deg.max() <= 8


def test_the_profile_is_the_same_every_time(
    tables: dict[str, Lut16], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(printer_profile_module, "printer_tables", lambda forward: tables)
    again = printer_profile_module.printer_profile(
        pearl_model().lab, description="Simulated pearl, RGB inkjet"
    )
    assert again == pearl_profile()
