"""The wedge and the control patches: the same on every strip of a stock, and exact."""

from __future__ import annotations

import numpy as np
import pytest

from drydown.demo.paper import pearl_profile
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.strip_control import PATCH_MM, controls, wedge


@pytest.fixture(scope="module")
def icc() -> bytes:
    return pearl_profile()


def test_the_wedge_prints_neutral_at_the_aims_beside_it(icc: bytes) -> None:
    ribbon = wedge(icc)
    Lab = device_to_lab(icc, np.array(ribbon.device) / 65535)
    assert ribbon.labels[0] == "paper" and ribbon.device[0] == (65535, 65535, 65535)
    for label, (L, a, b) in list(zip(ribbon.labels, Lab, strict=True))[1:]:
        assert pytest.approx(float(label), abs=0.15) == L
        assert np.hypot(a, b) < 0.5


def test_the_wedge_falls_from_paper_to_the_darkest_that_the_profile_reaches(icc: bytes) -> None:
    black = float(device_to_lab(icc, np.zeros((1, 3)))[0, 0])
    aims = [float(label) for label in wedge(icc).labels[1:]]
    assert aims == sorted(aims, reverse=True)
    assert black <= aims[-1] < black + 1 and aims[-2] >= black + 2
    assert 50.0 in aims


def test_control_patches_are_the_corners_of_the_device_and_four_even_greys() -> None:
    ribbon = controls()
    found = dict(zip(ribbon.labels, ribbon.device, strict=True))
    assert found["W"] == (65535, 65535, 65535) and found["K"] == (0, 0, 0)
    assert (found["R"], found["G"], found["B"]) == ((65535, 0, 0), (0, 65535, 0), (0, 0, 65535))
    assert (found["C"], found["M"], found["Y"]) == ((0, 65535, 65535), (65535, 0, 65535), (65535, 65535, 0))
    assert [found[f"{n}%"] for n in (20, 40, 60, 80)] == [(13107 * n,) * 3 for n in (1, 2, 3, 4)]


def test_every_patch_of_a_ribbon_is_flat_and_at_least_8_mm(icc: bytes) -> None:
    for ribbon in (wedge(icc), controls()):
        image, side = ribbon.image(100)
        assert side >= PATCH_MM / 25.4 * 100
        assert (image.width, image.height) == (side * len(ribbon.labels), side)
        values = np.ndarray((side, image.width, 3), np.uint16, image.write_to_memory())
        for number, device in enumerate(ribbon.device):
            assert (values[:, number * side : (number + 1) * side] == device).all()
