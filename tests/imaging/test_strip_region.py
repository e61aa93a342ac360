"""The region that a strip shows: given, or found by the rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as for_all
from hypothesis import strategies as st

from drydown.api import Refusal
from drydown.imaging.icc_lut import Floats
from drydown.imaging.strip_region import by_rule, given

PPI = 254.0  # ten pixels a millimetre
PICTURE = (4000, 3000)
PATCH = (400, 400)
ROWS, COLUMNS = 150, 200


def scene(seed: int = 1) -> Floats:
    """A plain blue sky, 40 x 40 mm of grey texture at the lower left, and as much red texture at the lower right."""
    rng = np.random.default_rng(seed)
    Lab = np.zeros((ROWS, COLUMNS, 3))
    Lab[...] = (70, -5, -35)
    for left, (a, b) in ((20, (0, 0)), (140, (60, 40))):
        Lab[100:130, left : left + 30] = (55, a, b)
        Lab[100:130, left : left + 30, 0] += rng.normal(0, 8, (30, 30))
    return Lab


def test_sharp_mid_grey_is_preferred_to_plain_sky_and_to_saturated_colour() -> None:
    found = by_rule(0, scene(), PATCH, PICTURE, PPI)
    assert (found.chosen, found.picture) == ("by rule", 0)
    middle_px = found.box.left + 200, found.box.top + 200
    assert 400 <= middle_px[0] <= 1000 and 2000 <= middle_px[1] <= 2600
    assert "L*" in found.why
    assert found.size_mm.width == pytest.approx(40)


def test_the_same_picture_gives_the_same_region() -> None:
    assert by_rule(0, scene(), PATCH, PICTURE, PPI) == by_rule(0, scene(), PATCH, PICTURE, PPI)


def test_a_picture_without_any_difference_is_proofed_in_its_middle() -> None:
    flat = np.zeros((ROWS, COLUMNS, 3))
    flat[..., 0] = 50
    found = by_rule(0, flat, PATCH, PICTURE, PPI)
    assert found.x_mm == pytest.approx(200, abs=2.1) and found.y_mm == pytest.approx(150, abs=2.1)


def test_a_light_and_a_shadow_are_found_apart_and_do_not_overlap() -> None:
    Lab = scene()
    Lab[20:50, 20:50, 0] = 30 + 5 * np.sin(np.arange(30))
    Lab[20:50, 20:50, 1:] = 0
    Lab[20:50, 150:180, 0] = 76 + 5 * np.sin(np.arange(30))
    Lab[20:50, 150:180, 1:] = 0
    light = by_rule(0, Lab, PATCH, PICTURE, PPI, tone="light")
    shadow = by_rule(0, Lab, PATCH, PICTURE, PPI, tone="shadow", others=[light])
    assert light.box.left >= 2800 and light.box.top <= 1000
    assert shadow.box.left <= 1000 and shadow.box.top <= 1000
    again = by_rule(0, Lab, PATCH, PICTURE, PPI, tone="light", others=[light])
    assert again.box != light.box
    assert (
        again.box.left >= light.box.left + 390
        or again.box.left + 390 <= light.box.left
        or abs(again.box.top - light.box.top) >= 390
    )


@for_all(
    rows=st.integers(2, 60),
    columns=st.integers(2, 60),
    share=st.floats(0.05, 1.0),
    seed=st.integers(0, 1000),
)
def test_a_region_by_the_rule_always_lies_inside_its_picture(
    rows: int, columns: int, share: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    Lab = rng.uniform((0, -60, -60), (100, 60, 60), (rows, columns, 3))
    picture = columns * 20, rows * 20
    patch = max(1, int(picture[0] * share)), max(1, int(picture[1] * share))
    box = by_rule(0, Lab, patch, picture, PPI).box
    assert box.left >= 0 and box.top >= 0
    assert box.left + box.width <= picture[0] and box.top + box.height <= picture[1]
    assert (box.width, box.height) == patch


def test_a_given_point_is_the_middle_of_its_region() -> None:
    found = given(1, 100, 80.5, PATCH, PICTURE, PPI)
    assert (found.box.left, found.box.top) == (800, 605)
    assert found.record() == {
        "picture": 1, "x_mm": 100.0, "y_mm": 80.5, "width_mm": 40.0, "height_mm": 40.0,
        "box_px": [800, 605, 400, 400], "chosen": "given", "why": "as said",
    }  # fmt: skip
    assert given(0, 20, 20, PATCH, PICTURE, PPI).box.left == 0
    assert given(0, 380, 280, PATCH, PICTURE, PPI).box.top == 2600


@pytest.mark.parametrize("point", [(19, 150), (381, 150), (200, 19.5), (200, 500)])
def test_a_region_outside_the_picture_is_refused_with_the_points_that_would_do(
    point: tuple[float, float],
) -> None:
    with pytest.raises(Refusal) as caught:
        given(0, *point, PATCH, PICTURE, PPI)
    assert "reaches beyond the picture, which is 400.0 x 300.0 mm" in caught.value.sentence
    assert "from 20.0 to 380.0 mm across and from 20.0 to 280.0 mm down" in caught.value.sentence
