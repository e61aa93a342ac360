"""Single colours through a profile, worked out in double precision."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
import pytest

from drydown.demo.paper import matte_profile, pearl_model, pearl_profile
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.icc_lut import curve_at, lut
from drydown.imaging.pcs import lab_from_xyz, media_relative
from drydown.imaging.working import grey_srgb, oprgb, srgb, wide_gamut


def s15(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(value * 65536) for value in values))


def profile(space: bytes, pcs: bytes, tags: dict[bytes, bytes], *, kind: bytes = b"prtr") -> bytes:
    """The least that can be read: a header, a tag table, and the tags one after the other."""
    header = bytearray(128)
    header[8], header[12:16], header[16:20], header[20:24], header[36:40] = 4, kind, space, pcs, b"acsp"
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        table += name + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    whole = bytes(header) + table + body
    return struct.pack(">I", len(whole)) + whole[4:]


def test_half_of_srgb_is_0_214041_of_light() -> None:
    # IEC 61966-2-1, 5.2: 0.5 is 0.214041 linear; CIE 15:2004, 8.2.1: L* = 116 Y^(1/3) - 16
    Lab = device_to_lab(srgb(), np.full((1, 3), 0.5))
    assert Lab[0, 0] == pytest.approx(116 * 0.214041 ** (1 / 3) - 16, abs=0.002)
    assert abs(Lab[0, 1:]).max() < 0.01


def test_a_grey_profile_means_the_same_tones_as_equal_rgb() -> None:
    greys = np.linspace(0, 1, 9)[:, None]
    assert device_to_lab(grey_srgb(), greys) == pytest.approx(
        device_to_lab(srgb(), greys.repeat(3, axis=1)), abs=0.02
    )


@pytest.mark.parametrize("space", [srgb, oprgb, wide_gamut])
def test_a_matrix_space_comes_back_to_the_same_colours(space: Callable[[], bytes]) -> None:
    icc, device = space(), np.random.default_rng(1).random((500, 3))
    Lab = device_to_lab(icc, device)
    back = lab_to_device(icc, Lab)
    assert device_to_lab(icc, back) == pytest.approx(Lab, abs=1e-6)
    light = device.min(axis=1) > 0.05  # below, 16-bit curves have steps that are no wider than a point
    assert back[light] == pytest.approx(device[light], abs=1e-6)


def test_grey_comes_back_to_the_same_device_values() -> None:
    device = np.linspace(0, 1, 50)[:, None]
    assert lab_to_device(grey_srgb(), device_to_lab(grey_srgb(), device)) == pytest.approx(device, abs=1e-6)


def test_a_printers_table_says_what_its_model_prints() -> None:
    device = np.random.default_rng(2).random((300, 3))
    white = pearl_model().lab(np.ones((1, 3)))[0]
    wanted = media_relative(pearl_model().lab(device), white)
    off = np.linalg.norm(device_to_lab(pearl_profile(), device) - wanted, axis=1)
    assert off.mean() < 0.3  # a 17-point grid between its points; the profile's own tests are stricter
    assert off.max() < 1.5


def test_absolute_brings_the_papers_white_along() -> None:
    paper = pearl_model().lab(np.ones((1, 3)))[0]
    white = device_to_lab(pearl_profile(), np.ones((1, 3)), intent="absolute")[0]
    assert white == pytest.approx(paper, abs=0.02)
    assert device_to_lab(pearl_profile(), np.ones((1, 3)))[0] == pytest.approx([100, 0, 0], abs=0.02)
    back = lab_to_device(pearl_profile(), white[None], intent="absolute")
    assert back == pytest.approx(np.ones((1, 3)), abs=0.002)


def test_a_version_2_display_profile_counts_as_adapted_whatever_white_it_states() -> None:
    icc = bytearray(srgb())
    assert icc[8] < 4 and icc[12:16] == b"mntr"
    assert device_to_lab(bytes(icc), np.ones((1, 3)), intent="absolute")[0] == pytest.approx(
        [100, 0, 0], abs=0.01
    )


@pytest.mark.parametrize(
    ("kind", "numbers", "at", "wanted"),
    [
        (0, [2.0], 0.5, 0.25),
        (1, [2.0, 2.0, -0.5], 0.75, 1.0),
        (1, [2.0, 2.0, -0.5], 0.2, 0.0),
        (2, [2.0, 1.0, 0.0, 0.1], 0.5, 0.35),
        (3, [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045], 0.5, 0.214041),  # IEC 61966-2-1, 5.2
        (3, [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045], 0.02, 0.02 / 12.92),
        (4, [2.0, 1.0, 0.0, 0.5, 0.4, 0.05, 0.02], 0.5, 0.30),
        (4, [2.0, 1.0, 0.0, 0.5, 0.4, 0.05, 0.02], 0.2, 0.12),
    ],
)
def test_parametric_curves_follow_table_68_of_the_icc(
    kind: int, numbers: list[float], at: float, wanted: float
) -> None:
    data = b"para" + bytes(4) + struct.pack(">HH", kind, 0) + s15(*numbers)
    curve, length = curve_at(data, 0)
    assert length == len(data)
    assert curve(np.array([at]))[0] == pytest.approx(wanted, abs=1e-4)


def test_a_curve_of_no_points_is_a_straight_line_and_one_of_one_a_gamma() -> None:
    line, _ = curve_at(b"curv" + bytes(4) + struct.pack(">I", 0), 0)
    gamma, _ = curve_at(b"curv" + bytes(4) + struct.pack(">IH", 1, 2 * 256), 0)
    x = np.array([0.0, 0.3, 1.0])
    assert line(x) == pytest.approx(x)
    assert gamma(x) == pytest.approx(x**2)


def mixing_grid() -> bytes:
    """Two points a side; output k is input k, but the first is input 0 times input 1."""
    corners = np.array([[[[r * g, g, b] for b in (0, 1)] for g in (0, 1)] for r in (0, 1)])
    return (corners * 65535).astype(">u2").tobytes()


def new_table(kind: bytes) -> bytes:
    """`mAB ` or `mBA ` with a gamma of 2 in the A curves, the grid above, and a matrix that halves and adds a tenth."""
    identity = b"curv" + bytes(8)
    square = b"curv" + bytes(4) + struct.pack(">IH", 1, 512) + bytes(2)
    head = 32
    b_at, matrix_at = head, head + 36
    m_at = matrix_at + 48
    grid_at = m_at + 36
    grid = bytes([2, 2, 2]) + bytes(13) + bytes([2, 0, 0, 0]) + mixing_grid()
    a_at = grid_at + len(grid)
    parts = [
        identity * 3,
        s15(0.5, 0, 0, 0, 0.5, 0, 0, 0, 0.5, 0.1, 0.1, 0.1),
        identity * 3,
        grid,
        square * 3,
    ]
    return (
        kind
        + bytes(4)
        + bytes([3, 3, 0, 0])
        + struct.pack(">5I", b_at, matrix_at, m_at, grid_at, a_at)
        + b"".join(parts)
    )


def test_a_table_of_version_4_runs_curves_grid_and_matrix_in_their_order() -> None:
    table = lut(new_table(b"mAB "), from_lab=False)
    squared = np.array([0.25, 0.81, 0.04])
    # In the cell's tetrahedra the product r·g of the corners is the lesser of the two.
    wanted = 0.5 * np.array([min(squared[0], squared[1]), squared[1], squared[2]]) + 0.1
    assert table.apply(np.sqrt(squared)[None])[0] == pytest.approx(wanted, abs=1e-4)


def test_the_way_back_runs_them_backwards_and_linear_from_lab() -> None:
    table = lut(new_table(b"mBA "), from_lab=True)
    x = np.array([0.4, 0.6, 0.8])
    mixed = 0.5 * x + 0.1
    wanted = np.array([mixed[0] * mixed[1], mixed[1], mixed[2]]) ** 2  # linear in all three: a true product
    assert table.apply(x[None])[0] == pytest.approx(wanted, abs=1e-4)


def old_table(kind: bytes) -> bytes:
    """`mft1` or `mft2`: straight curves of two points (256 for `mft1`) round the grid above."""
    top, count, word = (255, 256, "u1") if kind == b"mft1" else (65535, 2, ">u2")
    line = np.linspace(0, top, count).round().astype(word).tobytes() * 3
    grid = (np.frombuffer(mixing_grid(), ">u2") // 65535 * top).astype(word).tobytes()
    sizes = b"" if kind == b"mft1" else struct.pack(">HH", count, count)
    return kind + bytes(4) + bytes([3, 3, 2, 0]) + s15(1, 0, 0, 0, 1, 0, 0, 0, 1) + sizes + line + grid + line


@pytest.mark.parametrize(("kind", "full_L"), [(b"mft1", 100.0), (b"mft2", 100 * 65535 / 65280)])
def test_a_16_bit_table_of_the_old_kind_has_L_100_at_FF00(kind: bytes, full_L: float) -> None:
    # ICC.1:2022, 10.10: lut16Type keeps version 2's encoding of Lab, also in a version 4 profile
    icc = profile(b"RGB ", b"Lab ", {b"A2B0": old_table(kind)})
    assert device_to_lab(icc, np.array([[1.0, 1.0, 0.5]]))[0, 0] == pytest.approx(full_L, abs=0.01)


def test_an_intent_without_a_table_of_its_own_takes_the_perceptual_one() -> None:
    # ICC.1:2022, 9.2
    icc = profile(b"RGB ", b"Lab ", {b"A2B0": old_table(b"mft2")})
    device = np.random.default_rng(4).random((20, 3))
    assert np.array_equal(
        device_to_lab(icc, device, intent="relative"), device_to_lab(icc, device, intent="perceptual")
    )


def test_four_channels_are_linear_in_the_first_and_tetrahedral_in_the_rest() -> None:
    corners = np.array(
        [[[[[c, 0.5, 0.5] for _ in (0, 1)] for _ in (0, 1)] for _ in (0, 1)] for c in (0, 1)], dtype=float
    )
    line = np.array([0, 65535], ">u2").tobytes()
    table = (
        b"mft2" + bytes(4) + bytes([4, 3, 2, 0]) + s15(1, 0, 0, 0, 1, 0, 0, 0, 1) + struct.pack(">HH", 2, 2)
    )
    table += line * 4 + (corners * 65535).astype(">u2").tobytes() + line * 3
    icc = profile(b"CMYK", b"Lab ", {b"A2B0": table})
    Lab = device_to_lab(icc, np.array([[0.25, 0.9, 0.1, 0.7]]))
    assert Lab[0, 0] == pytest.approx(0.25 * 100 * 65535 / 65280, abs=0.01)


@pytest.mark.parametrize(
    ("icc", "reason"),
    [
        (b"not a profile" * 20, "acsp"),
        (profile(b"RGB ", b"Lab ", {b"desc": bytes(12)}), "rTRC"),
        (profile(b"6CLR", b"Lab ", {b"A2B0": old_table(b"mft2")}), "neither grey, RGB nor CMYK"),
        (profile(b"RGB ", b"Lab ", {b"A2B0": b"zzzz" + bytes(60)}), "zzzz"),
    ],
)
def test_a_profile_that_cannot_be_worked_out_says_why(icc: bytes, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        device_to_lab(icc, np.zeros((1, 3)))


def test_channels_that_do_not_fit_are_named() -> None:
    with pytest.raises(ValueError, match="4 channels were given, the profile has 3"):
        device_to_lab(matte_profile(), np.zeros((1, 4)))


def test_lab_of_the_pcs_white_is_100_0_0() -> None:
    assert lab_from_xyz(np.array([0.9642, 1.0, 0.8249])) == pytest.approx([100, 0, 0], abs=1e-9)
