"""Conversions against engines that did not make them: LittleCMS called directly (2.18 by imagecodecs, another version by transicc), and the ICC's own.

Equality with LittleCMS shows that nothing is lost, guessed or set differently on the way through libvips; the ICC's engine shares no
code with it. Profiles are Debian's (colord-data, libgs-common) and the demo's.
"""

from __future__ import annotations

import os
import subprocess
from contextlib import closing
from functools import cache
from pathlib import Path

import fetch
import iccdev
import imagecodecs
import numpy as np
import pytest
import pyvips
import tifffile
from fetch import debian

from drydown.api import Intent
from drydown.demo.paper import matte_model, matte_profile, pearl_model, pearl_profile
from drydown.errors import Refusal
from drydown.imaging.convert import convert, device_to_lab, lab_to_device
from drydown.imaging.icc import check_source
from drydown.imaging.pcs import xyz_from_lab
from drydown.imaging.working import grey_srgb, srgb, wide_gamut

pytestmark = pytest.mark.reference

NUMBER: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}
SPACE = {1: "gray", 3: "rgb", 4: "cmyk"}
FLAGS = imagecodecs.CMS.FLAGS


def colord(name: str) -> bytes:
    return (debian("colord-data") / "usr/share/color/icc/colord" / name).read_bytes()


def ghostscript(name: str) -> bytes:
    return (debian("libgs-common") / "usr/share/color/icc/ghostscript" / name).read_bytes()


SOURCES = {
    "srgb": srgb,
    "romm": wide_gamut,
    "grey": grey_srgb,
    "pearl": pearl_profile,
    "matte": matte_profile,
    "colord ProPhotoRGB": lambda: colord("ProPhotoRGB.icc"),
    "colord AdobeRGB1998": lambda: colord("AdobeRGB1998.icc"),
    "colord SwappedRedAndGreen": lambda: colord("SwappedRedAndGreen.icc"),
    "ghostscript cmyk": lambda: ghostscript("default_cmyk.icc"),
    # v4, with a table for perceptual alone
    "ghostscript ps_cmyk": lambda: ghostscript("ps_cmyk.icc"),
}


@cache
def chance(bands: int, count: int = 40_000) -> np.ndarray:
    """Codes (count, bands): chance, and black, white and every corner."""
    corners = np.array(np.meshgrid(*[[0, 65535]] * bands)).reshape(bands, -1).T
    dice = np.random.default_rng(7).integers(0, 65536, (count - len(corners), bands))
    return np.concatenate([corners, dice]).astype(np.uint16)


def ours(codes: np.ndarray, icc: bytes, to: bytes, intent: Intent, compensate: bool) -> np.ndarray:
    pixels = pyvips.Image.new_from_memory(
        np.ascontiguousarray(codes).tobytes(), 1000, -(-len(codes) // 1000), codes.shape[1], "ushort"
    )
    out = convert(pixels, icc, to, intent=intent, black_point_compensation=compensate)
    return np.frombuffer(out.write_to_memory(), np.uint16).reshape(len(codes), -1).astype(int)


def littlecms(codes: np.ndarray, icc: bytes, to: bytes, intent: Intent, compensate: bool) -> np.ndarray:
    out = imagecodecs.cms_transform(
        codes[None],
        icc,
        to,
        colorspace=SPACE[codes.shape[1]],
        outcolorspace="rgb",
        outdtype="uint16",
        intent=NUMBER[intent],
        flags=FLAGS.NOCACHE | (FLAGS.BLACKPOINTCOMPENSATION if compensate else 0),
    )
    return np.asarray(out).reshape(len(codes), -1).astype(int)


@pytest.mark.parametrize("compensate", [True, False], ids=["bpc", "no bpc"])
@pytest.mark.parametrize("intent", list(NUMBER))
@pytest.mark.parametrize(
    ("source", "target"),
    [
        *((name, "pearl") for name in SOURCES if name != "pearl"),
        ("pearl", "srgb"),
        ("matte", "srgb"),
        ("pearl", "romm"),
        ("srgb", "matte"),
    ],
)
def test_a_conversion_is_littlecms_own_to_one_code(
    source: str, target: str, intent: Intent, compensate: bool
) -> None:
    icc, to = SOURCES[source](), SOURCES[target]()
    codes = chance(check_source(icc, channels={"grey": 1}.get(source, 4 if "cmyk" in source else 3)).channels)
    difference = ours(codes, icc, to, intent, compensate) - littlecms(codes, icc, to, intent, compensate)
    assert np.abs(difference).max() <= 1


def test_black_point_compensation_has_an_effect_where_the_test_above_switches_it() -> None:
    # the demo's perceptual table has its black in place already, so there a source with a black of its own shows the effect
    cases: list[tuple[str, int, Intent]] = [("romm", 3, "relative"), ("ghostscript cmyk", 4, "perceptual")]
    for source, bands, intent in cases:
        on, off = (
            ours(chance(bands), SOURCES[source](), pearl_profile(), intent, on) for on in (True, False)
        )
        assert np.abs(on - off).max() > 100, (source, intent)
    codes = chance(3)
    on, off = (ours(codes, wide_gamut(), pearl_profile(), "absolute", on) for on in (True, False))
    assert np.array_equal(on, off)  # the setting has no say there


def without(icc: bytes, *names: bytes, header_intent: int) -> bytes:
    """The profile with some tags under names that nobody reads, and another preferred intent in its header."""
    changed = bytearray(icc)
    changed[67] = header_intent
    icc = bytes(changed)
    for number, name in enumerate(names):
        icc = icc.replace(name, b"zz%02d" % number, 1)
    return icc


@pytest.mark.parametrize("header_intent", [0, 1])
def test_a_source_with_a_perceptual_table_alone_is_read_by_that_as_littlecms_does(header_intent: int) -> None:
    alone = without(matte_profile(), b"A2B1", b"A2B2", header_intent=header_intent)
    codes = chance(3)
    difference = ours(codes, alone, pearl_profile(), "relative", True) - littlecms(
        codes, alone, pearl_profile(), "relative", True
    )
    assert np.abs(difference).max() <= 1


def test_swapped_red_and_green_is_really_used() -> None:
    codes = chance(3)
    swapped = ours(codes, colord("SwappedRedAndGreen.icc"), pearl_profile(), "relative", True)
    plain = ours(codes, colord("sRGB.icc"), pearl_profile(), "relative", True)
    wrong_way_round = ours(codes[:, [1, 0, 2]], colord("sRGB.icc"), pearl_profile(), "relative", True)
    assert np.abs(swapped - wrong_way_round).mean() < 0.01 * np.abs(swapped - plain).mean()


def test_bluish_is_really_used_and_its_calibration_of_a_screen_is_not() -> None:
    # Its columns are sRGB's but for the last digits; what is blue about it is `vcgt`, which is meant for a screen's card and no part
    # of a picture's colours.
    codes, icc = chance(3), colord("Bluish.icc")
    bluish = ours(codes, icc, pearl_profile(), "relative", True)
    assert np.abs(bluish - littlecms(codes, icc, pearl_profile(), "relative", True)).max() <= 1
    plain = ours(codes, colord("sRGB.icc"), pearl_profile(), "relative", True)
    assert 0 < np.abs(bluish - plain).mean() < 20


def test_a_named_colour_profile_is_refused() -> None:
    pixels = pyvips.Image.black(8, 8, bands=3).cast("ushort")
    with pytest.raises(Refusal, match="named-colour"):
        convert(
            pixels,
            colord("x11-colors.icc"),
            pearl_profile(),
            intent="relative",
            black_point_compensation=True,
        )


def through_iccdev(values: np.ndarray, *profiles: Path, intent: Intent, compensate: bool) -> np.ndarray:
    with closing(iccdev.IccCmm()) as engine:
        for profile in profiles:
            engine.attach(profile, intent=iccdev.RenderingIntent(NUMBER[intent]), use_bpc=compensate)
        engine.begin()
        return np.asarray(engine.apply_ndarray(np.ascontiguousarray(values, dtype=np.float32)), dtype=float)


@pytest.mark.parametrize(
    ("intent", "compensate"),
    [("perceptual", False), ("relative", False), ("relative", True), ("absolute", False)],
)
@pytest.mark.parametrize("source", ["srgb", "romm", "colord AdobeRGB1998"])
@pytest.mark.parametrize("target", ["pearl", "matte"])
def test_an_independent_engine_prints_the_same(
    tmp_path: Path, source: str, target: str, intent: Intent, compensate: bool
) -> None:
    from colour.difference import delta_E_CIE2000

    names = []
    for name in (source, target):
        names.append(tmp_path / f"{name}.icc")
        names[-1].write_bytes(SOURCES[name]())
    codes = chance(3, 10_000)
    model = {"pearl": pearl_model, "matte": matte_model}[target]()
    one = ours(codes, SOURCES[source](), SOURCES[target](), intent, compensate) / 65535
    other = through_iccdev(codes / 65535, *names, intent=intent, compensate=compensate)
    difference = delta_E_CIE2000(model.lab(one), model.lab(other))
    print(
        f"{source} to {target}, {intent}: mean {difference.mean():.3f}, p99 {np.percentile(difference, 99):.2f}"
    )
    assert difference.mean() <= 0.3


def test_an_independent_engine_sees_the_same_on_the_way_to_a_screen(tmp_path: Path) -> None:
    from colour.difference import delta_E_CIE2000

    names = [tmp_path / "pearl.icc", tmp_path / "srgb.icc"]
    names[0].write_bytes(pearl_profile())
    names[1].write_bytes(srgb())
    codes = chance(3, 10_000)
    one = ours(codes, pearl_profile(), srgb(), "relative", False) / 65535
    other = np.clip(through_iccdev(codes / 65535, *names, intent="relative", compensate=False), 0, 1)
    seen = [device_to_lab(srgb(), values) for values in (one, other)]
    assert delta_E_CIE2000(*seen).mean() <= 0.3


def littlecms_tool(name: str, *arguments: str, given: str = "") -> str:
    """Run one of LittleCMS' own programs, of whatever version Debian has; returns what it prints."""
    library = next(debian("liblcms2-2").glob("usr/lib/*"))
    done = subprocess.run(
        [debian("liblcms2-utils") / "usr/bin" / name, *arguments],
        input=given,
        capture_output=True,
        text=True,
        env={**os.environ, "LD_LIBRARY_PATH": str(library)},
    )
    if "error while loading shared libraries" in done.stderr:
        fetch._not_here(f"{name} of liblcms2-utils: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("compensate", [True, False], ids=["bpc", "no bpc"])
@pytest.mark.parametrize("intent", ["perceptual", "relative", "absolute"])
def test_another_version_of_littlecms_gives_the_same(
    tmp_path: Path, intent: Intent, compensate: bool
) -> None:
    from colour.difference import delta_E_CIE2000

    for name, icc in (("in.icc", wide_gamut()), ("out.icc", pearl_profile())):
        (tmp_path / name).write_bytes(icc)
    codes = chance(3)
    before, after = tmp_path / "before.tif", tmp_path / "after.tif"
    tifffile.imwrite(before, codes.reshape(200, 200, 3), photometric="rgb")
    options = ["-w16", f"-t{NUMBER[intent]}", *(["-b"] if compensate else [])]
    littlecms_tool(
        "tificc", *options, f"-i{tmp_path / 'in.icc'}", f"-o{tmp_path / 'out.icc'}", str(before), str(after)
    )
    theirs = tifffile.imread(after).reshape(-1, 3).astype(int)
    mine = ours(codes, wide_gamut(), pearl_profile(), intent, compensate)
    if intent == "relative" and compensate:
        # version 2.18 finds the black of a table profile otherwise than those before
        difference = delta_E_CIE2000(pearl_model().lab(theirs / 65535), pearl_model().lab(mine / 65535))
        assert difference.max() <= 1.0
    else:
        assert np.abs(theirs - mine).max() <= 1


# --- single colours, worked out by our own code -------------------------------------------------------------------


@cache
def lab2() -> bytes:
    """Version 2: towards a version 4 Lab, LittleCMS would compensate the black point of perceptual and saturation unasked."""
    return bytes(imagecodecs.cms_profile("lab2"))


def littlecms_lab(device: np.ndarray, icc: bytes, intent: Intent) -> np.ndarray:
    """LittleCMS in floating point, where it bakes no table."""
    scale = 100 if device.shape[1] == 4 else 1  # its CMYK counts per cent
    out = imagecodecs.cms_transform(
        np.ascontiguousarray(device[None] * scale),
        icc,
        lab2(),
        colorspace=SPACE[device.shape[1]],
        outcolorspace="lab",
        outdtype="float64",
        intent=NUMBER[intent],
    )
    return np.asarray(out).reshape(-1, 3)


@pytest.mark.parametrize("intent", list(NUMBER))
@pytest.mark.parametrize("name", [name for name in SOURCES if name != "ghostscript ps_cmyk"])
def test_lab_of_a_device_value_is_littlecms_in_floating_point(name: str, intent: Intent) -> None:
    icc = SOURCES[name]()
    bands = {b"GRAY": 1, b"RGB ": 3, b"CMYK": 4}[icc[16:20]]
    device = chance(bands, 5000) / 65535
    mine, theirs = device_to_lab(icc, device, intent=intent), littlecms_lab(device, icc, intent)
    encodable = (np.abs(theirs[:, 1:]) < 127).all(axis=1)
    # LittleCMS reads a curve of 16-bit points to 16 bits, also in floating point
    assert np.abs(mine - theirs)[encodable].max() <= 0.03


def test_lab_of_a_device_value_is_what_transicc_prints(tmp_path: Path) -> None:
    (tmp_path / "pearl.icc").write_bytes(pearl_profile())
    device = chance(3)[:300] / 65535
    given = "\n".join(f"{value * 255:.8f}" for value in device.ravel()) + "\n"
    for intent in ("relative", "absolute"):
        said = littlecms_tool(
            "transicc", "-n", f"-t{NUMBER[intent]}", f"-i{tmp_path / 'pearl.icc'}", "-o*Lab", given=given
        )
        theirs = np.array(
            [[float(word) for word in line.split()] for line in said.splitlines() if line.strip()]
        )
        assert np.abs(device_to_lab(pearl_profile(), device, intent=intent) - theirs).max() <= 0.02


@pytest.mark.parametrize("intent", list(NUMBER))
@pytest.mark.parametrize("name", ["srgb", "pearl", "matte", "colord AdobeRGB1998"])
def test_the_device_value_of_a_lab_is_littlecms_in_floating_point(name: str, intent: Intent) -> None:
    icc = SOURCES[name]()
    Lab = device_to_lab(icc, chance(3, 3000)[8:] / 65535)
    out = imagecodecs.cms_transform(
        np.ascontiguousarray(Lab[None]),
        lab2(),
        icc,
        colorspace="lab",
        outcolorspace="rgb",
        outdtype="float64",
        intent=NUMBER[intent],
    )
    theirs = np.clip(np.asarray(out)[0], 0, 1)
    mine = lab_to_device(icc, Lab, intent=intent)
    # as colours, because LittleCMS turns a gamma round by a table, which near black is off by a few thousandths of device
    assert np.abs(device_to_lab(icc, mine) - device_to_lab(icc, theirs)).max() <= 0.05
    assert np.abs(mine - theirs)[(mine > 0.05).all(axis=1)].max() <= 0.0005


# --- published numbers --------------------------------------------------------------------------------------------


def test_spot_values_of_iec_61966_2_1_and_cie_15() -> None:
    from colour import XYZ_to_Lab
    from colour.models import eotf_sRGB

    # IEC 61966-2-1, 5.2, by colour-science; 0.5 is 0.214041 in light
    encoded = np.array([0.02, 0.04045, 0.2, 0.5, 0.735357, 1.0])
    light = eotf_sRGB(encoded)
    assert light[3] == pytest.approx(0.214041, abs=1e-6)
    Lab = device_to_lab(srgb(), encoded[:, None].repeat(3, axis=1))
    assert xyz_from_lab(Lab)[:, 1] == pytest.approx(light, abs=3e-5)
    # CIE 15:2004, 8.2.1: L* 50 is Y 0.184187, and 8.856 / 1000 is where the straight part ends
    white = np.array([0.9642, 1.0, 0.8249])
    from colour import XYZ_to_xy

    for Y, L in ((0.184187, 50.0), (216 / 24389, 8.0), (0.001, 0.9033)):
        assert XYZ_to_Lab(white * Y, XYZ_to_xy(white))[0] == pytest.approx(L, abs=1e-3)
        code = lab_to_device(srgb(), np.array([[L, 0, 0]]))
        assert xyz_from_lab(device_to_lab(srgb(), code))[0, 1] == pytest.approx(Y, abs=2e-6)
