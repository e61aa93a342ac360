"""From a source of 16 bits to a sheet of 16 bits: how many levels arrive, and how smoothly.

A ramp in two dimensions, because no single row of a sheet could hold as many levels as are asked for. The limits are the project's own.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from drydown.api import EdgesMm, Finished, Frame, Job, Sheet, SizeMm, Stock
from drydown.demo.paper import pearl_model, pearl_profile
from drydown.imaging.pcs import media_relative
from drydown.imaging.read import open_picture
from drydown.imaging.working import srgb, wide_gamut
from drydown.imaging.write import write_sheet
from drydown_steps.balance import Balance, balance
from drydown_steps.convert import Convert, convert
from drydown_steps.sharpen import Sharpen, sharpen
from drydown_steps.tone_lift import ToneLift, tone_lift

pytestmark = pytest.mark.reference

LEVELS = 65536


def ramp() -> np.ndarray:
    """All 65,536 greys, there and back in rows of 256, each four pixels a side: neighbours differ by no more than a row."""
    greys = np.arange(LEVELS, dtype=np.uint16).reshape(256, 256)
    greys[1::2] = greys[1::2, ::-1]
    return np.repeat(greys[..., None], 3, axis=2).repeat(4, axis=0).repeat(4, axis=1)


@pytest.fixture(params=[wide_gamut, srgb], ids=["romm", "srgb"])
def source(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, bytes]:
    file, icc = tmp_path / "ramp.tif", request.param()
    tifffile.imwrite(file, ramp(), photometric="rgb", iccprofile=icc, rowsperstrip=16)
    return file, icc


def a_job(folder: Path) -> Job:
    profile = folder / "pearl.icc"
    profile.write_bytes(pearl_profile())
    sheet = Sheet(name="letter", size=SizeMm(215.9, 279.4), pwg="na_letter_8.5x11in")
    return Job(
        id="j-0001",
        source=Path("ramp.tif"),
        scratch=folder,
        stock=Stock(name="pearl", profile=profile, icc=pearl_profile(), ppi=360),
        sheet=sheet,
        final_sheet=sheet,
        margins_mm=EdgesMm(12.7, 12.7, 12.7, 12.7),
    )


def sheet(source: tuple[Path, bytes], folder: Path, lift_L: float) -> np.ndarray:
    """Through the colour steps of a recipe into a written sheet, and what is read back from it."""
    file, icc = source
    job = a_job(folder)
    opened = open_picture(file, untagged="hold", access="sequential", max_pixels=10**7, scratch=folder)
    assert opened.icc == icc
    frame = Frame(pixels=opened.pixels, icc=opened.icc, ppi=360, source=file)
    frame = convert(frame, Convert(), job)
    frame = tone_lift(frame, ToneLift(lift_L=lift_L), job)
    frame = balance(frame, Balance(magenta=2), job)
    frame = sharpen(frame, Sharpen(strength=0.4), job)
    written = folder / "sheet.tif"
    write_sheet(Finished(frame=frame), written, ppi=360, icc=pearl_profile())
    codes = tifffile.imread(written)
    assert codes.dtype == np.uint16 and codes.shape == (1024, 1024, 3)
    return codes


def in_order(codes: np.ndarray) -> np.ndarray:
    """One pixel a grey (65536, 3), from black to white."""
    rows = codes[1::4, 1::4].copy()
    rows[1::2] = rows[1::2, ::-1]
    return rows.reshape(LEVELS, 3)


@pytest.mark.parametrize("lift_L", [0.0, 3.0])
def test_a_ramp_keeps_forty_thousand_levels_a_channel_from_source_to_sheet(
    source: tuple[Path, bytes], tmp_path: Path, lift_L: float
) -> None:
    levels = [len(np.unique(channel)) for channel in sheet(source, tmp_path, lift_L).reshape(-1, 3).T]
    print(f"levels a channel at lift {lift_L:g}: {levels}")
    assert min(levels) >= 40_000


@pytest.mark.parametrize("lift_L", [0.0, 3.0])
def test_the_ramp_prints_without_a_bend_of_more_than_0_3_L_an_8_bit_step(
    source: tuple[Path, bytes], tmp_path: Path, lift_L: float
) -> None:
    device = in_order(sheet(source, tmp_path, lift_L))[:: LEVELS // 255] / 65535
    assert len(device) == 256
    L = media_relative(pearl_model().lab(device), pearl_model().lab(np.ones((1, 3)))[0])[:, 0]
    bend = np.abs(np.diff(L, 2)).max()
    print(f"largest second difference at lift {lift_L:g}: {bend:.3f} L* an 8-bit step")
    assert bend <= 0.3
    assert np.diff(L).min() > -0.01


def test_the_same_ramp_through_pillow_keeps_256(source: tuple[Path, bytes]) -> None:
    # Pillow opens 16-bit RGB as 8 bits without a word, which is why it carries no pixels here
    with Image.open(source[0]) as opened:
        assert opened.mode == "RGB"
        assert len(np.unique(np.asarray(opened)[..., 0])) == 256
