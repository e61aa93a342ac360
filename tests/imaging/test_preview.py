"""The preview: from the written sheet, tagged, and honest about what a screen cannot show."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.steps.sheet_kit import flat, frame_of, image, scene

from drydown.api import Finished
from drydown.demo.paper import pearl_profile
from drydown.imaging.convert import convert, lab_to_device
from drydown.imaging.preview import write_preview
from drydown.imaging.working import srgb, wide_gamut
from drydown.imaging.write import write_sheet


def previewed(
    folder: Path, made: object, *, bits: int = 16, **options: int
) -> tuple[Image.Image, dict[str, object]]:
    sheet, out = folder / "sheet.tif", folder / "preview.jpg"
    finished = Finished(frame=frame_of(made, icc=pearl_profile()), bits=bits)  # type: ignore[arg-type]
    write_sheet(finished, sheet, ppi=360, icc=pearl_profile())
    facts = write_preview(sheet, out, **options)
    with Image.open(out) as shown:
        shown.load()
    return shown, facts


@pytest.mark.parametrize(("long_px", "factor"), [(1600, 1), (2300, 1), (3960, 2), (6120, 4)])
def test_the_sheet_is_reduced_by_a_whole_number_to_about_1600(
    tmp_path: Path, long_px: int, factor: int
) -> None:
    shown, facts = previewed(tmp_path, flat(long_px, 40))
    assert facts["reduced_by"] == factor
    assert shown.width == long_px // factor
    assert facts["size_px"] == [shown.width, shown.height]


def test_it_is_tagged_and_keeps_its_colour_at_full_resolution(tmp_path: Path) -> None:
    shown, _ = previewed(tmp_path, scene(400, 300))
    assert shown.info["icc_profile"] == srgb()
    assert shown.format == "JPEG"
    # Pillow gives (identifier, horizontal, vertical sampling, table) for each component
    assert [layer[1:3] for layer in shown.layer] == [(1, 1)] * 3
    assert "exif" not in shown.info


def test_it_shows_the_colours_of_the_source(tmp_path: Path) -> None:
    """sRGB to the printer and back to sRGB, both media-relative with black point compensation: within the gamut nothing changes visibly."""
    colours = np.array([[180, 160, 140], [90, 110, 120], [200, 200, 200], [128, 128, 128]], np.uint16)
    source = image(np.repeat(np.repeat(colours[np.newaxis], 40, 0), 40, 1) * 257)
    printed = convert(source, srgb(), pearl_profile(), intent="relative", black_point_compensation=True)
    shown, _ = previewed(tmp_path, printed)
    seen = np.asarray(shown)[20, 20::40].astype(int)
    assert np.abs(seen - colours.astype(int)).max() <= 3


def test_bare_paper_is_white_and_the_deepest_black_is_black(tmp_path: Path) -> None:
    shown, _ = previewed(tmp_path, flat(60, 60, 65535))
    assert np.asarray(shown).min() == 255
    shown, _ = previewed(tmp_path, flat(60, 60, 0))
    assert np.asarray(shown).max() <= 8


@pytest.mark.parametrize("bits", [8, 16])
def test_an_eight_bit_sheet_looks_the_same(tmp_path: Path, bits: int) -> None:
    greys = lab_to_device(pearl_profile(), np.array([[50.0, 0, 0]]))[0]
    shown, _ = previewed(tmp_path, flat(60, 60, tuple(round(v * 65535) for v in greys)), bits=bits)  # type: ignore[arg-type]
    assert np.ptp(np.asarray(shown)[30, 30].astype(int)) <= 3


def test_colours_that_a_screen_cannot_show_are_counted(tmp_path: Path) -> None:
    """Half the picture in a cyan far outside sRGB's triangle, half in grey; the white around it does not count."""
    half = np.full((40, 80, 3), 30000, np.uint16)
    half[:, :40] = (1000, 40000, 62000)
    wide = image(half)
    printed = convert(wide, wide_gamut(), pearl_profile(), intent="relative", black_point_compensation=True)
    sheet = printed.embed(40, 40, 400, 300, extend="background", background=[65535] * 3)
    _, facts = previewed(tmp_path, sheet)
    assert facts["outside_srgb_percent"] == pytest.approx(50, abs=2)
    printed = convert(
        flat(80, 40, 30000), srgb(), pearl_profile(), intent="relative", black_point_compensation=True
    )
    _, facts = previewed(tmp_path, printed)
    assert facts["outside_srgb_percent"] == 0


def test_a_sheet_without_a_profile_is_not_guessed_at(tmp_path: Path) -> None:
    Image.fromarray(np.zeros((10, 10, 3), np.uint8)).save(tmp_path / "plain.tif")
    with pytest.raises(ValueError, match="carries no profile"):
        write_preview(tmp_path / "plain.tif", tmp_path / "preview.jpg")


def test_it_is_the_written_file_that_is_shown_also_after_it_was_written_again(tmp_path: Path) -> None:
    first, _ = previewed(tmp_path, flat(60, 60, 65535))
    again, _ = previewed(tmp_path, flat(60, 60, 0))
    assert np.asarray(first).min() == 255
    assert np.asarray(again).max() <= 8
