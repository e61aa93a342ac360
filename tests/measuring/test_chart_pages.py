"""The measurement chart: which points, in which order, and pages whose every patch is flat and exact."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from tests.measuring.measuring_kit import chart_918, layout, small_chart

from drydown.demo.paper import pearl_model, pearl_profile
from drydown.imaging.chart_layout import LETTERS, row_name, row_number
from drydown.imaging.difference import ciede2000
from drydown.imaging.write import write_sheet
from drydown.measuring.chart import make_chart
from drydown.measuring.chart_order import APART_DE, APART_L, REPEATED
from drydown.measuring.chart_points import chart_points
from drydown.measuring.reference import read_reference


@pytest.mark.parametrize("count", [60, 288, 918])
def test_points_are_as_many_as_asked_all_different_and_whole_8_bit_steps(count: int) -> None:
    points = chart_points(count, profile=pearl_profile(), seed=1)
    codes = np.rint(points * 255)
    assert points.shape == (count, 3) and len(np.unique(codes, axis=0)) == count
    assert np.abs(codes - points * 255).max() < 1e-9
    for corner in np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T:
        assert (points == corner).all(axis=1).any()


def test_greys_stand_dense_in_the_darkest_fifth() -> None:
    points = chart_points(918, profile=pearl_profile(), seed=1)
    greys = np.unique(points[(points == points[:, :1]).all(axis=1), 0])
    assert len(greys) >= 30
    assert (greys <= 0.2).sum() / 0.2 > 1.4 * (greys > 0.2).sum() / 0.8


def test_the_same_seed_gives_the_same_chart_and_another_one_another_order() -> None:
    first, again, other = (
        make_chart(
            "pearl",
            layout(patch_mm=25, ppi=100),
            instrument="strip",
            count=60,
            seed=seed,
            profile=pearl_profile(),
        )
        for seed in (3, 3, 4)
    )
    assert list(first.places()) == list(again.places())
    assert [index for _, index in first.places()] != [index for _, index in other.places()]


def test_918_patches_of_8_mm_need_two_letter_sheets() -> None:
    chart = chart_918()
    assert len(chart.pages) == 2 and len(chart.codes) == 918
    shown = np.concatenate([page.ravel() for page in chart.pages])
    assert set(shown) == set(range(918))


def test_white_black_and_three_greys_stand_at_start_middle_and_end_of_every_page() -> None:
    chart = chart_918()
    for page in chart.pages:
        for part in (page[0], page[len(page) // 2], page[-1]):
            there = {tuple(code) for code in chart.codes[part]}
            assert there >= set(REPEATED)


def test_neighbours_along_a_row_can_be_told_apart_and_so_can_the_pads() -> None:
    chart = chart_918()
    lab = pearl_model().lab(chart.codes / 255)
    black = lab[lab[:, 0].argmin()]
    near = 0
    for page in chart.pages:
        for row in page:
            colours = np.vstack([black, lab[row], black])
            far_L = (
                np.abs(np.diff(colours[:, 0])) >= APART_L - 0.5
            )  # the order was laid by the profile, which is within 0.5 of the paper
            far = ciede2000(colours[1:], colours[:-1]) >= APART_DE - 0.5
            near += int((~(far_L | far)).sum())
    assert near == 0


def test_row_letters_cannot_be_taken_for_others_upside_down() -> None:
    assert not set(LETTERS) & set(
        "HIMNOSWXZ"
    )  # these look the same, or like another letter, when the sheet is turned
    assert [row_number(row_name(number)) for number in range(60)] == list(range(60))


def test_every_patch_of_the_written_file_is_flat_and_exact_and_no_profile_is_embedded(tmp_path: Path) -> None:
    chart = chart_918()
    for number in range(len(chart.pages)):
        file = tmp_path / f"{number}.tif"
        write_sheet(chart.page(number), file, ppi=360, icc=None)
        image = pyvips.Image.new_from_file(str(file))
        assert image.get_typeof("icc-profile-data") == 0
        assert image.format == "ushort" and image.bands == 3
        assert (image.width, image.height) == chart.layout.file_px
        with tifffile.TiffFile(file) as tiff:
            assert tiff.pages[0].tags["XResolution"].value == (360, 1)
        pixels = image.numpy()
        side, wanted = chart.layout.patch_px, chart.codes[chart.pages[number]] * 257
        assert side >= 8 / 25.4 * 360
        for (row, column), _ in np.ndenumerate(chart.pages[number]):
            left, top = chart.layout.patch(row, column)
            assert (pixels[top : top + side, left : left + side] == wanted[row, column]).all()
            gap = pixels[top : top + side, left - chart.layout.gap_px : left]
            assert (gap == 65535).all()


def test_every_page_has_one_asymmetrical_mark_and_pads_at_both_ends_of_a_strip() -> None:
    chart = small_chart()
    pixels = chart.page(0).frame.pixels.numpy()
    assert not np.array_equal(pixels, pixels[::-1, ::-1])
    side = chart.layout.px(8)
    at = chart.layout.px(2.0)  # the printable area's own margin
    dark = [
        (corner[..., 1] == 0).mean()
        for corner in (
            pixels[at:, at:][:side, :side],
            pixels[at:, ::-1][:side, at : at + side],
            pixels[::-1][:side, :side],
            pixels[::-1, ::-1][:side, :side],
        )
    ]
    assert dark[0] > 0.4 and max(dark[1:]) < 0.1
    left, top = chart.layout.patch(0, 0)
    pad = pixels[
        top : top + chart.layout.patch_px,
        left - chart.layout.gap_px - chart.layout.pad_px : left - chart.layout.gap_px,
    ]
    assert pad.size and (pad == 0).all()


def test_a_chart_for_a_spot_instrument_has_no_pads() -> None:
    assert layout(instrument="spot").pad_px == 0


def test_the_reference_says_what_stands_where(tmp_path: Path) -> None:
    chart = small_chart()
    file = tmp_path / "reference.txt"
    file.write_text(chart.reference(made="2026-11-02"))
    found = read_reference(file)
    assert found.name == chart.name == "pearl-letter-60-3"
    for place, device, (wanted, index) in zip(found.places, found.device, chart.places(), strict=True):
        assert place == wanted and np.rint(device * 255).tolist() == chart.codes[index].tolist()


def test_a_stock_without_a_profile_gets_a_chart_too() -> None:
    chart = make_chart("new", layout(patch_mm=25, ppi=100), instrument="spot", count=60, seed=1)
    assert len(chart.codes) == 60


def test_a_sheet_that_is_too_small_says_how_much_fits() -> None:
    with pytest.raises(ValueError, match="has room for 4 columns and 5 rows of 40 mm; a chart needs 7 and 3"):
        layout(patch_mm=40)
