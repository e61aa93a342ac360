"""The working spaces against their standards, through an engine that did not write them."""

import struct
from collections.abc import Callable
from io import BytesIO

import imagecodecs
import numpy as np
import pytest
from PIL import ImageCms

from drydown.imaging import working

SPACES = [working.srgb, working.oprgb, working.wide_gamut]


def light_at(profile: bytes, tag: bytes, encoded: float) -> float:
    (count,) = struct.unpack_from(">I", profile, 128)
    entries = [struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count)]
    offset, size = next((offset, size) for name, offset, size in entries if name == tag)
    curve = np.frombuffer(profile[offset + 12 : offset + size], ">u2") / 65535
    return float(np.interp(encoded, np.linspace(0, 1, len(curve)), curve))


@pytest.mark.parametrize("space", [*SPACES, working.grey_srgb])
def test_a_space_opens_and_names_its_standard_and_no_product(space: Callable[[], bytes]) -> None:
    opened = ImageCms.getOpenProfile(BytesIO(space())).profile
    assert any(body in opened.profile_description for body in ("IEC", "ISO"))
    assert opened.device_class == "mntr"
    assert opened.xcolor_space.strip() == ("GRAY" if space is working.grey_srgb else "RGB")


@pytest.mark.parametrize("space", [*SPACES, working.grey_srgb])
def test_a_space_is_computed_once(space: Callable[[], bytes]) -> None:
    assert space() is space()


def test_half_of_srgb_is_the_light_that_iec_61966_2_1_says() -> None:
    assert light_at(working.srgb(), b"rTRC", 0.5) == pytest.approx(0.214041, abs=1e-5)
    assert light_at(working.grey_srgb(), b"kTRC", 0.5) == pytest.approx(0.214041, abs=1e-5)


def lab_by_littlecms(profile: bytes, values: np.ndarray) -> np.ndarray:
    """Media-relative Lab (N, 3) of 16-bit values (N, 3), without the engine's table-building."""
    codes = imagecodecs.cms_transform(
        values[None],
        profile,
        imagecodecs.cms_profile("lab4"),
        colorspace="rgb",
        outcolorspace="lab",
        intent=1,
        flags=int(imagecodecs.CMS.FLAGS.NOOPTIMIZE),
        outdtype="uint16",
    )[0]
    return codes / [655.35, 257, 257] - [0, 128, 128]


@pytest.mark.reference
@pytest.mark.parametrize(
    ("space", "name"), [(working.srgb, "sRGB"), (working.oprgb, None), (working.wide_gamut, "ROMM RGB")]
)
def test_colours_agree_with_colour_science_s_definition_of_the_same_standard(
    space: Callable[[], bytes], name: str | None
) -> None:
    """IEC 61966-2-1 and ISO 22028-2 as colour-science holds them, IEC 61966-2-5 from memory; read by LittleCMS."""
    import colour

    values = np.random.default_rng(7).integers(0, 65536, (4000, 3)).astype(np.uint16)
    pcs_white = np.array([0.9642, 1.0, 0.8249])
    if name is None:
        primaries = np.array([[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]])
        reference = colour.RGB_Colourspace("IEC 61966-2-5", primaries, np.array([0.3127, 0.3290]), "D65")
        light = (values / 65535) ** 2.19921875
    else:
        reference = colour.RGB_COLOURSPACES[name]
        light = reference.cctf_decoding(values / 65535)
    bradford = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(reference.whitepoint), pcs_white, transform="Bradford"
    )
    native = colour.normalised_primary_matrix(reference.primaries, reference.whitepoint)
    XYZ = light @ (bradford @ native).T
    expected = colour.XYZ_to_Lab(XYZ, colour.XYZ_to_xy(pcs_white))
    got = lab_by_littlecms(space(), values)
    inside = (np.abs(expected[:, 1:]) < 127).all(axis=1)  # ICC's 16-bit Lab ends there
    assert inside.sum() > 3000
    # A code of the 16-bit curve is worth up to 0.03 a* in the deepest shadows.
    np.testing.assert_allclose(got[inside], expected[inside], atol=0.05)


@pytest.mark.reference
@pytest.mark.parametrize("space", SPACES)
def test_white_is_the_white_of_the_pcs_and_greys_have_no_tint(space: Callable[[], bytes]) -> None:
    greys = np.repeat(np.linspace(0, 65535, 52).astype(np.uint16)[:, None], 3, axis=1)
    Lab = lab_by_littlecms(space(), greys)
    np.testing.assert_array_equal(Lab[-1], [100, 0, 0])
    assert np.abs(Lab[:, 1:]).max() < 0.01


def test_romm_is_straight_in_the_deepest_shadows_and_joins_without_a_step() -> None:
    # ISO 22028-2: slope 1/16 below the light 2^-9, exponent 1.8 above.
    below, above = working.romm_to_light(np.array([1 / 32 - 1e-9, 1 / 32 + 1e-9]))
    assert below == pytest.approx(2**-9, rel=1e-6)
    assert above == pytest.approx(2**-9, rel=1e-6)
    assert working.romm_to_light(np.array(0.016)) == pytest.approx(0.001)
    assert working.romm_to_light(np.array(0.5)) == pytest.approx(0.5**1.8)
