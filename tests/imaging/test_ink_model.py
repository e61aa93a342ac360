"""The simulated printer behaves as ink on paper does, at the places where that is known."""

from dataclasses import replace

import numpy as np
import pytest

from drydown.imaging.ink_model import (
    BANDS_NM,
    XYZ_WEIGHTS,
    Band,
    Driver,
    Ink,
    InkSet,
    Paper,
    SimulatedPrinter,
)
from drydown.imaging.pcs import D50_XYZ, lab_from_xyz

INKS = InkSet(
    cyan=Ink((Band(640, 58, 1.5),)),
    magenta=Ink((Band(540, 40, 1.4),)),
    yellow=Ink((Band(430, 40, 1.5),)),
    black=Ink(even_density=1.7),
)
PAPER = Paper(reflectance=0.9, surface=0.006, dot_gain=0.15, n=1.9)
PRINTER = SimulatedPrinter(inks=INKS, paper=PAPER, driver=Driver())


def half_cyan(printer: SimulatedPrinter) -> np.ndarray:
    return printer.reflectance(np.array([[0.5, 1.0, 1.0]]))[0]


def test_the_observer_and_the_light_are_those_of_the_cie() -> None:
    """CIE 15 by way of colour-science, summed over the same bands."""
    import colour

    shape = colour.SpectralShape(400, 700, 20)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(shape).values
    weights = observer * light[:, None]
    np.testing.assert_allclose(XYZ_WEIGHTS, weights / weights.sum(axis=0) * D50_XYZ, rtol=2e-3, atol=2e-6)


def test_a_perfect_diffuser_is_the_white_of_the_pcs() -> None:
    np.testing.assert_allclose(lab_from_xyz(np.ones_like(BANDS_NM) @ XYZ_WEIGHTS), [100, 0, 0], atol=1e-9)


def test_no_ink_is_bare_paper() -> None:
    white = PRINTER.reflectance(np.ones((1, 3)))[0]
    np.testing.assert_allclose(white, PAPER.spectrum())


def test_without_dot_gain_and_light_spread_half_a_cover_is_the_mean_of_paper_and_solid() -> None:
    """Murray and Davies 1936: Neugebauer with one ink and n = 1."""
    printer = replace(PRINTER, paper=replace(PAPER, dot_gain=0.0, n=1.0))
    solid = printer.reflectance(np.array([[0.0, 1.0, 1.0]]))[0]
    np.testing.assert_allclose(half_cyan(printer), (printer.paper.spectrum() + solid) / 2)


def test_two_half_covers_fall_independently() -> None:
    """Demichel 1924: a quarter each of paper, cyan, magenta and both."""
    printer = replace(PRINTER, paper=replace(PAPER, dot_gain=0.0, n=1.0))
    solids = printer.reflectance(np.array([[1, 1, 1], [0, 1, 1], [1, 0, 1], [0, 0, 1]], dtype=float))
    mixed = printer.reflectance(np.array([[0.5, 0.5, 1.0]]))[0]
    np.testing.assert_allclose(mixed, solids.mean(axis=0))


def test_an_overprint_adds_the_densities_of_its_inks() -> None:
    """Bouguer and Beer, for clear inks."""
    white, cyan, yellow, green = PRINTER.reflectance(
        np.array([[1, 1, 1], [0, 1, 1], [1, 1, 0], [0, 1, 0]], dtype=float)
    )
    np.testing.assert_allclose(green, cyan * yellow / white)


@pytest.mark.parametrize(
    "change", [{"dot_gain": 0.25}, {"n": 3.0}], ids=["more gain", "more spread of light"]
)
def test_spreading_dots_and_spreading_light_darken_half_tones_and_leave_solids(
    change: dict[str, float],
) -> None:
    darker = replace(PRINTER, paper=replace(PAPER, **change))
    assert (half_cyan(darker) <= half_cyan(PRINTER) + 1e-12).all()
    assert half_cyan(darker).min() < half_cyan(PRINTER).min()
    ends = np.array([[1, 1, 1], [0, 1, 1], [0, 0, 1]], dtype=float)
    np.testing.assert_allclose(darker.reflectance(ends), PRINTER.reflectance(ends))


def test_light_inks_lighten_the_first_steps_less_than_they_cost_in_the_solid() -> None:
    light = replace(PRINTER, inks=replace(INKS, light_cyan_strength=0.35, light_magenta_strength=0.35))
    solid = np.array([[0.0, 1.0, 1.0]])
    np.testing.assert_allclose(light.reflectance(solid), PRINTER.reflectance(solid))
    # The same first step is made of weaker dots, so it is paler.
    step = np.array([[0.9, 1.0, 1.0]])
    assert light.lab(step)[0, 0] > PRINTER.lab(step)[0, 0]


@pytest.mark.parametrize("light", [0.0, 0.35])
def test_more_ink_is_never_lighter(light: float) -> None:
    inks = replace(INKS, light_cyan_strength=light, light_magenta_strength=light)
    printer = replace(PRINTER, inks=inks, driver=Driver(sag=(0.3, 0.4, 0.7)))
    ramp = np.linspace(1, 0, 256)
    for channels in ([0], [1], [2], [0, 1, 2]):
        device = np.ones((256, 3))
        device[:, channels] = ramp[:, None]
        assert (np.diff(printer.lab(device)[:, 0]) < 0).all()


def test_equal_values_are_grey_only_if_the_driver_makes_them_so() -> None:
    axis = np.repeat(np.linspace(0, 1, 64)[:, None], 3, axis=1)
    even, uneven = (
        replace(PRINTER, driver=Driver(sag=sag)).lab(axis) for sag in ((0.3, 0.3, 0.3), (0.3, 0.3, 0.8))
    )
    moved = np.hypot(*(uneven - even)[:, 1:].T)
    assert moved.max() > 5
    assert moved[[0, -1]] == pytest.approx([0, 0])


def test_the_surface_sets_the_deepest_black() -> None:
    black = np.zeros((1, 3))
    blacks = [
        replace(PRINTER, paper=replace(PAPER, surface=surface)).lab(black)[0, 0]
        for surface in (0.0, 0.006, 0.03)
    ]
    assert blacks == sorted(blacks)
    # CIE 15: a black that reflects the surface's 0.6 % alone has L* = 903.3 x 0.006 = 5.4.
    assert 5.4 < blacks[1] < 9


def test_a_brightened_paper_is_blue() -> None:
    plain, bright = (
        replace(PRINTER, paper=replace(PAPER, blue_lift=lift)).lab(np.ones((1, 3)))[0] for lift in (0.0, 0.08)
    )
    assert plain[2] == pytest.approx(0, abs=0.1)
    assert bright[2] < -2


def test_values_outside_0_to_1_print_as_the_ends() -> None:
    np.testing.assert_array_equal(
        PRINTER.lab(np.array([[1.2, -0.1, 0.5]])), PRINTER.lab(np.array([[1.0, 0.0, 0.5]]))
    )


def test_two_printers_with_the_same_numbers_are_equal() -> None:
    assert replace(PRINTER) == PRINTER
    assert replace(PRINTER, paper=replace(PAPER, n=2.0)) != PRINTER
