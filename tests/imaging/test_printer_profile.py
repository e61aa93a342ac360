"""From a model to tables: inversion, what cannot be printed, the perceptual rendering, and any model at all."""

from dataclasses import replace

import numpy as np
import pytest

from drydown.imaging.icc_tags import Lut16
from drydown.imaging.ink_model import Band, Driver, Ink, InkSet, Paper, SimulatedPrinter
from drydown.imaging.pcs import Floats, lab_from_xyz, media_absolute, media_relative, xyz_from_lab
from drydown.imaging.printer_axes import decode_lab, encode_lab, even_grid, grid_from_black
from drydown.imaging.printer_figures import measure
from drydown.imaging.printer_inverse import Nearness, invert
from drydown.imaging.printer_perceptual import perceptual_map
from drydown.imaging.printer_profile import printer_tables
from drydown.imaging.printer_table import DeviceTable, tabulate

PRINTER = SimulatedPrinter(
    inks=InkSet(
        cyan=Ink((Band(640, 58, 1.5), Band(410, 42, 0.1))),
        magenta=Ink((Band(540, 38, 1.4), Band(430, 40, 0.3))),
        yellow=Ink((Band(432, 40, 1.5),)),
        black=Ink(even_density=1.6),
    ),
    paper=Paper(reflectance=0.88, blue_lift=0.06, surface=0.008, dot_gain=0.15, n=1.8),
    driver=Driver(sag=(0.3, 0.4, 0.6)),
)


def relative(device: Floats) -> Floats:
    return media_relative(PRINTER.lab(device), PRINTER.lab(np.ones((1, 3)))[0])


def plain_screen_like_model(device: Floats) -> Floats:
    """A model of another kind: light added up through a matrix, over a veil. It knows no inks."""
    XYZ = np.array([[0.436, 0.385, 0.143], [0.222, 0.717, 0.061], [0.014, 0.097, 0.714]])
    return lab_from_xyz(0.01 + 0.85 * (0.1 * device + 0.9 * device**2) @ XYZ.T)


@pytest.fixture(scope="module")
def table() -> DeviceTable:
    return tabulate(relative)


@pytest.fixture(scope="module")
def tables() -> dict[str, Lut16]:
    return printer_tables(PRINTER.lab)


def chroma(Lab: Floats) -> Floats:
    return np.hypot(Lab[:, 1], Lab[:, 2])


def hue_turn_deg(first: Floats, second: Floats) -> Floats:
    turn = np.arctan2(first[:, 2], first[:, 1]) - np.arctan2(second[:, 2], second[:, 1])
    return np.degrees(np.abs((turn + np.pi) % (2 * np.pi) - np.pi))


def random_devices(count: int = 4000) -> Floats:
    return np.random.default_rng(3).random((count, 3))


def test_media_relative_lab_makes_the_paper_white_and_comes_back() -> None:
    paper, Lab = PRINTER.lab(np.ones((1, 3)))[0], PRINTER.lab(random_devices(50))
    np.testing.assert_allclose(media_relative(paper, paper), [100, 0, 0], atol=1e-9)
    np.testing.assert_allclose(media_absolute(media_relative(Lab, paper), paper), Lab, atol=1e-9)


def test_lab_comes_back_from_xyz_also_where_it_is_dark() -> None:
    Lab = np.array([[0.5, 0.2, -0.1], [8.0, 1.0, -1.0], [8.1, -3.0, 2.0], [97.0, 10.0, 60.0]])
    np.testing.assert_allclose(lab_from_xyz(xyz_from_lab(Lab)), Lab, atol=1e-9)
    # CIE 15: below Y/Yn = 216/24389 lightness is straight with slope 24389/27.
    assert lab_from_xyz(np.array([0.0, 0.001, 0.0]))[0] == pytest.approx(0.9033, abs=1e-4)


def test_the_tabulated_model_is_the_model(table: DeviceTable) -> None:
    device = random_devices()
    assert np.linalg.norm(table.lab(device) - relative(device), axis=1).max() < 0.1


def test_the_slopes_are_those_of_the_values(table: DeviceTable) -> None:
    device, small = random_devices(100) * 0.9 + 0.05, 1e-5
    for channel in range(3):
        nudge = small * np.eye(3)[channel]
        expected = (table.lab(device + nudge) - table.lab(device - nudge)) / (2 * small)
        np.testing.assert_allclose(table.slopes(device)[:, :, channel], expected, atol=1e-3)


def test_a_colour_that_can_be_printed_is_found_exactly(table: DeviceTable) -> None:
    wanted = table.lab(random_devices())
    found = invert(table, wanted)
    assert found.distance(wanted).max() < 0.02
    assert ((found.device >= 0) & (found.device <= 1)).all()


def test_white_and_black_are_found_at_the_ends(table: DeviceTable) -> None:
    ends = np.array([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]])
    np.testing.assert_allclose(invert(table, table.lab(ends)).device, ends, atol=1e-4)


def test_no_print_nearby_is_nearer_than_the_one_chosen_outside_the_gamut(table: DeviceTable) -> None:
    rng = np.random.default_rng(8)
    turn = rng.uniform(0, 2 * np.pi, 300)
    wanted = np.stack([rng.uniform(20, 95, 300), 110 * np.cos(turn), 110 * np.sin(turn)], axis=1)
    even = Nearness(chroma=1.0, hue=1.0)  # with even weights nearest is plain ΔE*ab
    found = invert(table, wanted, even)
    for _ in range(20):
        beside = np.clip(found.device + rng.normal(0, 0.02, found.device.shape), 0, 1)
        assert (np.linalg.norm(table.lab(beside) - wanted, axis=1) > found.distance(wanted) - 1e-3).all()


def test_outside_the_gamut_hue_is_kept_better_than_by_plain_distance(table: DeviceTable) -> None:
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    wanted = np.stack([np.full(180, 55.0), 100 * np.cos(turn), 100 * np.sin(turn)], axis=1)
    ours = hue_turn_deg(invert(table, wanted).Lab, wanted)
    plain = hue_turn_deg(invert(table, wanted, Nearness(chroma=1.0, hue=1.0)).Lab, wanted)
    assert ours.mean() < 0.6 * plain.mean()
    assert ours.max() < 8


def test_colours_that_lie_close_together_outside_the_gamut_are_printed_close_together(
    table: DeviceTable,
) -> None:
    turn = np.linspace(0, 2 * np.pi, 1440)
    for lightness in (25.0, 50.0, 75.0):
        ring = np.stack([np.full(1440, lightness), 100 * np.cos(turn), 100 * np.sin(turn)], axis=1)
        steps = np.linalg.norm(np.diff(invert(table, ring).Lab, axis=0), axis=1)
        assert steps.max() < 3 * np.linalg.norm(np.diff(ring, axis=0), axis=1).max()


@pytest.mark.parametrize("black", [8.0, 22.8])
def test_the_lab_grid_has_nodes_on_black_white_and_grey(black: float) -> None:
    grid = grid_from_black(black, 33)
    assert black in grid.L_star
    assert (grid.L_star[0], grid.L_star[-1]) == (0.0, 100.0)
    assert grid.ab[16] == 0
    assert (np.diff(grid.L_star) > 0).all()
    assert (np.diff(grid.ab) > 0).all()


def test_the_input_curves_put_every_node_in_its_place() -> None:
    for grid in (even_grid(33), grid_from_black(8.15, 33)):
        table = Lut16(grid.input_curves(), grid.nodes().reshape(33, 33, 33, 3), np.tile([0.0, 1.0], (3, 1)))
        held = np.array([[100, 0, 0], [grid.L_star[1], 0, 0], [50, grid.ab[10], grid.ab[25]]])
        places = np.stack(
            [
                np.interp(encode_lab(held)[:, i], np.linspace(0, 1, table.inputs.shape[1]), table.inputs[i])
                for i in range(3)
            ],
            axis=1,
        )
        assert places[0] == pytest.approx([1.0, 0.5, 0.5], abs=1e-6)
        assert places[1, 0] * 32 == pytest.approx(1, abs=0.02)
        assert places[2, 1:] * 32 == pytest.approx([10, 25], abs=0.02)


def test_lab_is_encoded_as_version_2_writes_it() -> None:
    # ICC.1:2001-04, tables 81 and 82: L* 100 = FF00, a* 0 = 8000, a* -128 = 0000.
    codes = np.round(encode_lab(np.array([[100.0, 0.0, -128.0], [0.0, 127.0, 0.0]])) * 65535).astype(int)
    assert codes.tolist() == [[0xFF00, 0x8000, 0], [0, 0xFF00, 0x8000]]
    Lab = np.array([[12.3, -45.6, 78.9]])
    np.testing.assert_allclose(decode_lab(encode_lab(Lab)), Lab, atol=1e-9)


def test_the_perceptual_rendering_leads_black_to_black_and_white_to_white(table: DeviceTable) -> None:
    ends = np.array([[0.0, 0, 0], [100.0, 0, 0]])
    printed = perceptual_map(table).to_print(ends)
    np.testing.assert_allclose(printed, table.lab(np.array([[0.0, 0, 0], [1.0, 1, 1]])), atol=1e-3)


def test_a_reference_medium_s_black_leads_to_the_device_s_black(table: DeviceTable) -> None:
    """ICC.1:2010, 6.3.4.3: version 4's perceptual reference medium is black at L* 3.1373."""
    mapping = perceptual_map(table, pcs_black_L_star=3.1373)
    printed = mapping.to_print(np.array([[3.1373, 0, 0], [100.0, 0, 0]]))
    np.testing.assert_allclose(printed, table.lab(np.array([[0.0, 0, 0], [1.0, 1, 1]])), atol=1e-3)


def test_the_perceptual_rendering_keeps_greys_rising_and_nearly_neutral(table: DeviceTable) -> None:
    ramp = np.linspace(0, 100, 401)
    printed = perceptual_map(table).to_print(np.stack([ramp, 0 * ramp, 0 * ramp], axis=1))
    slope = np.diff(printed[:, 0]) / 0.25
    assert slope.min() > 0.3
    assert chroma(printed).max() < chroma(table.lab(np.zeros((1, 3))))[0] + 0.1
    middle = np.abs(ramp - 50) < 1
    assert np.abs(printed[middle, 0] - ramp[middle]).max() < 1.5


def test_the_perceptual_rendering_comes_back(table: DeviceTable) -> None:
    mapping = perceptual_map(table)
    rng = np.random.default_rng(5)
    turn, far = rng.uniform(0, 2 * np.pi, 2000), rng.uniform(0, 60, 2000)
    Lab = np.stack([rng.uniform(30, 80, 2000), far * np.cos(turn), far * np.sin(turn)], axis=1)
    printed = mapping.to_print(Lab)
    inside = invert(table, printed).distance(printed) < 0.01
    assert inside.mean() > 0.8
    np.testing.assert_allclose(mapping.to_pcs(printed)[inside], Lab[inside], atol=0.05)


def test_the_perceptual_rendering_keeps_differences_where_the_colorimetric_one_drops_them(
    table: DeviceTable,
) -> None:
    """Two reds beyond the gamut fall on one print colorimetrically; perceptually they stay apart."""
    reds = np.array([[50.0, 80.0, 45.0], [50.0, 88.0, 49.5]])
    at_once = invert(table, reds).Lab
    rendered = invert(table, perceptual_map(table).to_print(reds)).Lab
    assert np.linalg.norm(np.diff(at_once, axis=0)) < 0.5 * np.linalg.norm(np.diff(rendered, axis=0))


def test_the_gamut_table_says_zero_inside_and_more_the_further_outside(tables: dict[str, Lut16]) -> None:
    out = tables["gamt"].read(encode_lab(np.array([[50.0, 80, 80], [50, 100, 100], [50, 120, 120]])))[:, 0]
    assert 0 < out[0] < out[1] < out[2]
    well_inside = relative(random_devices() * 0.5 + 0.25)
    assert (tables["gamt"].read(encode_lab(well_inside)) == 0).mean() > 0.98


def test_the_colorimetric_intents_share_their_tables(tables: dict[str, Lut16]) -> None:
    assert tables["A2B1"] is tables["A2B2"]
    assert tables["B2A1"] is tables["B2A2"]
    assert not np.array_equal(tables["A2B0"].grid, tables["A2B1"].grid)


def test_a_model_of_another_kind_gets_a_profile_as_good() -> None:
    figures = measure(plain_screen_like_model, printer_tables(plain_screen_like_model))
    assert figures.a2b_mean < 0.3
    assert figures.b2a_mean < 0.4
    assert figures.grey_chroma < 1.0


def test_a_paper_with_a_shallow_black_gets_a_profile_as_good() -> None:
    paper = replace(PRINTER.paper, surface=0.04, dot_gain=0.22, n=1.4, uptake=0.65)
    matte = replace(PRINTER, paper=paper, driver=Driver(sag=(0.5, 0.5, 0.7)))
    figures = measure(matte.lab, printer_tables(matte.lab))
    assert figures.black_lab[0] > 20
    assert figures.a2b_mean < 0.1
    assert figures.b2a_mean < 0.25
    assert figures.b2a_p99 < 1.1
    assert figures.grey_reversal < 0.01


def test_a_model_that_prints_paper_at_zero_is_refused_with_what_it_gave() -> None:
    def upside_down(device: Floats) -> Floats:
        return PRINTER.lab(1 - device)

    with pytest.raises(ValueError, match=r"prints \(1, 1, 1\) as L\* \d+\.\d and \(0, 0, 0\) as L\* 95"):
        printer_tables(upside_down)
