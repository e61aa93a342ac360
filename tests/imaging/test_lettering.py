"""Small type: its height on paper, its width beforehand, and letters that the face does not have."""

from __future__ import annotations

import unicodedata

import font_source_sans_pro
import numpy as np
import pytest
from PIL import ImageFont
from tests.steps.sheet_kit import pixels_of

from drydown.imaging.lettering import SEPARATOR, inked, line, paragraph, spelt, width_mm, wrapped

SAID = "job k7f3a2c9  ·  shoreline on pearl, lot 0412"


@pytest.mark.parametrize("ppi", [300, 360, 720])
@pytest.mark.parametrize("cap_mm", [1.6, 3.5])
def test_capitals_have_their_height_on_paper(ppi: float, cap_mm: float) -> None:
    mask, base = line("H", cap_mm=cap_mm, ppi=ppi)
    # coverage of a stem, summed from top to bottom, is its height in pixels and parts of one
    height_px = (mask / 255).max(axis=1).sum()
    assert height_px * 25.4 / ppi == pytest.approx(cap_mm, abs=0.5 * 25.4 / ppi)
    assert not mask[base:].any()


def test_the_width_is_known_before_a_line_is_drawn() -> None:
    mask, _ = line(SAID, cap_mm=1.6, ppi=720)
    columns = np.flatnonzero(mask.max(axis=0) > 64)
    assert columns[0] <= 3
    assert (columns[-1] + 1) * 25.4 / 720 == pytest.approx(
        width_mm(SAID, 1.6), abs=0.15
    )  # the last letter keeps its own white


def test_a_first_letter_that_overhangs_to_the_left_makes_its_line_longer() -> None:
    font = ImageFont.truetype(font_source_sans_pro.SourceSansPro, 1000)  # Pillow's own figures
    capital_top, overhang = font.getbbox("H", anchor="ls")[1], -font.getbbox("j", anchor="ls")[0]
    assert overhang > 0  # else this shows nothing
    assert width_mm("j", 1.0) == pytest.approx((font.getlength("j") + overhang) / -capital_top, abs=1e-6)


def test_the_width_is_the_same_at_every_ppi() -> None:
    widths = [line(SAID, cap_mm=1.6, ppi=ppi)[0].shape[1] * 25.4 / ppi for ppi in (300, 360, 600, 720)]
    assert max(widths) - min(widths) < 0.2


@pytest.mark.parametrize(
    "text", ["Grève — 11×17, Ångström, Straße, Łódź, Đà Nẵng, ığdır", "Αίγινα", "Кижи, Йод", "“½ ≤ 2²°…”"]
)
def test_names_keep_their_accents_and_scripts(text: str) -> None:
    assert spelt(text) == text
    assert spelt(unicodedata.normalize("NFD", text)) == spelt(unicodedata.normalize("NFC", text)) == text


def test_letters_that_the_face_does_not_have_are_spelt() -> None:
    assert spelt("№ Ⅻ ㎜") == "№ XII mm"
    assert spelt("海 x") == "? x"


def test_what_does_not_show_is_shown_as_missing() -> None:
    assert spelt("a\u200bb\u202ec\u00add\x07") == "a?b?c?d?"
    assert spelt("q\u0301") == "q"  # an accent that no letter of the face bears
    assert spelt("one\ntwo\tthree") == "one two three"


@pytest.mark.parametrize("text", ["ÀÉÎÕÜ", "·", "“quoted”", "3.5 mm, 100 %", "(a/b) [c] #1 & +2 = 3"])
def test_what_is_drawn_is_never_an_empty_box(text: str) -> None:
    mask, _ = line(text, cap_mm=2, ppi=360)
    assert mask.any()
    assert "?" not in spelt(text)


def test_parts_are_set_in_lines_of_about_the_same_length() -> None:
    parts = [f"part number {n}" for n in range(12)]
    lines, left_out = wrapped(parts, cap_mm=1.6, room_mm=150, lines=3)
    assert left_out == []
    assert SEPARATOR.join(lines) == SEPARATOR.join(parts)
    widths = [width_mm(text, 1.6) for text in lines]
    assert len(lines) == 2
    assert max(widths) <= 150
    assert max(widths) - min(widths) < width_mm(parts[0], 1.6)


def test_what_finds_no_room_is_named() -> None:
    parts = ["short", "x" * 200, "also short", *[f"more of it {n}" for n in range(9)]]
    lines, left_out = wrapped(parts, cap_mm=1.6, room_mm=60, lines=1)
    assert lines[0].startswith("short  ·  also short")
    assert left_out[0] == "x" * 200
    assert width_mm(lines[0], 1.6) <= 60


def test_a_paragraph_is_broken_at_its_spaces() -> None:
    text = "marks that are off to one side are placement"
    lines = paragraph(text, cap_mm=2.2, room_mm=40)
    assert " ".join(lines) == text
    assert all(width_mm(part, 2.2) <= 40 for part in lines)
    assert len(lines) > 1


def test_ink_and_paper_have_their_exact_values() -> None:
    mask = np.array([[0, 255, 51]], np.uint8)
    done = pixels_of(inked(mask, (10000, 20000, 30000)))
    assert done[0].tolist() == [[65535, 65535, 65535], [10000, 20000, 30000], [54428, 56428, 58428]]
