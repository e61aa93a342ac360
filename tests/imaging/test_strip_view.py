"""Two patches beside each other on a screen: as laid, and as other values would print it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips

from drydown.api import Box
from drydown.demo.paper import pearl_profile
from drydown.imaging.convert import lab_to_device
from drydown.imaging.strip_view import Move, write_move
from drydown.imaging.working import srgb

PATCH = Box(20, 30, 100, 80)
GAP = 6


def sheet(tmp_path: Path, L_star: float, icc: bytes, *, bits: int = 16) -> Path:
    """A sheet of one grey with a frame of bare paper, tagged."""
    device = np.rint(lab_to_device(icc, np.array([[L_star, 0.0, 0.0]])) * 65535).astype(np.uint16)
    array = np.full((140, 160, 3), 65535, np.uint16)
    array[30:110, 20:120] = device
    if bits == 8:
        array = (array // 257).astype(np.uint8)
    image = pyvips.Image.new_from_array(array).copy(interpretation="rgb16" if bits == 16 else "srgb").copy()
    image.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
    path = tmp_path / "sheet.tif"
    image.tiffsave(str(path))
    return path


def halves(tmp_path: Path, path: Path, move: Move) -> tuple[np.ndarray, np.ndarray]:
    to = tmp_path / "view.jpg"
    write_move(path, PATCH, move, to)
    shown = pyvips.Image.new_from_file(str(to), revalidate=True)
    assert (shown.width, shown.height) == (2 * PATCH.width + GAP, PATCH.height)
    assert bytes(shown.get("icc-profile-data")) == srgb()
    array = shown.numpy().astype(float)
    return array[10:-10, 10:90].mean(axis=(0, 1)), array[10:-10, -90:-10].mean(axis=(0, 1))


@pytest.mark.parametrize("bits", [8, 16])
def test_nothing_changed_shows_the_same_twice(tmp_path: Path, bits: int) -> None:
    before, after = halves(tmp_path, sheet(tmp_path, 55, srgb(), bits=bits), Move())
    assert after == pytest.approx(before, abs=0.6)


def test_magenta_takes_green_away_and_lift_makes_lighter(tmp_path: Path) -> None:
    path = sheet(tmp_path, 55, pearl_profile())
    before, after = halves(tmp_path, path, Move(magenta=10))
    gained = after - before
    assert gained[1] < -6 and gained[1] < gained[0] - 5 and gained[1] < gained[2] - 2
    before, after = halves(tmp_path, path, Move(lift_L=4))
    assert (after - before).min() > 4


def test_a_sheet_without_profile_is_refused(tmp_path: Path) -> None:
    image = pyvips.Image.black(200, 200, bands=3).cast("ushort")
    path = tmp_path / "sheet.tif"
    image.tiffsave(str(path))
    with pytest.raises(ValueError, match="carries no profile"):
        write_move(path, PATCH, Move(), tmp_path / "view.jpg")
