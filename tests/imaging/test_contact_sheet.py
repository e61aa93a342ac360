"""The contact sheet: an even grid, type of which nothing is lost, and pictures in the colours that their previews show."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.ndimage import label
from tests.steps.sheet_kit import LEDGER, LETTER, Array, pixels_of

from drydown.api import Box, EdgesMm, Finished, Sheet, SizeMm, Stock
from drydown.demo.paper import pearl_profile
from drydown.errors import MachineFault
from drydown.imaging.contact_caption import broken, caption, flowing, reason
from drydown.imaging.contact_grid import LEAST_MM, Grid, fitted, grid
from drydown.imaging.contact_sheet import Head, Shown, contact_sheets, preview_box, write_contact_sheet
from drydown.imaging.convert import device_to_lab
from drydown.imaging.lettering import width_mm
from drydown.imaging.pcs import lab_from_xyz, xyz_from_lab
from drydown.imaging.working import srgb

POSTCARD = Sheet("4x6", SizeMm(101.6, 152.4), "na_index-4x6_4x6in")
EDGES = EdgesMm(top=3, right=3.4, bottom=5, left=3.4)
ROOM = SizeMm(190.5, 230.0)  #: about what a letter sheet leaves below the head
LANDSCAPE, PORTRAIT, PANORAMA = 2 / 3, 3 / 2, 1 / 3
HEAD_MM = 23.0  #: from the top of the printable area to below the head of a page
HEAD = Head("shoreline", ("2 pictures: 2 done", "pearl"))


def a_stock(*, ppi: float = 120.0, edges: EdgesMm | None = EDGES) -> Stock:
    return Stock(name="pearl", profile=Path("pearl.icc"), icc=pearl_profile(), ppi=ppi, unprintable_mm=edges)


def a_preview(path: Path, colour: tuple[int, int, int], width: int, height: int) -> Path:
    """A JPEG of one colour, tagged sRGB, as previews are."""
    Image.new("RGB", (width, height), colour).save(
        path, "JPEG", quality=95, subsampling=0, icc_profile=srgb()
    )
    return path


def pages(
    pictures: list[Shown], *, stock: Stock | None = None, sheet: Sheet = LETTER, head: Head = HEAD
) -> list[Array]:
    return [
        pixels_of(page.frame.pixels) for page in contact_sheets(pictures, head, stock or a_stock(), sheet)
    ]


def page(pictures: list[Shown], *, stock: Stock | None = None, sheet: Sheet = LETTER) -> Array:
    (only,) = pages(pictures, stock=stock, sheet=sheet)
    return only


def box_of(mask: np.ndarray) -> tuple[int, int, int, int]:  # type: ignore[type-arg]
    """Left, top, right and bottom of what is true."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def blue(pixels: Array) -> np.ndarray:  # type: ignore[type-arg]
    """Where a page is clearly bluer than its lettering ever is."""
    return pixels[..., 2].astype(int) - pixels[..., 0].astype(int) > 12000


# the grid


def cells_of(found: Grid, count: int) -> list[tuple[float, float, float, float]]:
    height = found.frame_mm.height + found.caption_mm
    return [
        (left, top, left + found.frame_mm.width, top + height) for left, top in map(found.place, range(count))
    ]


@settings(max_examples=150, deadline=None)
@given(
    count=st.integers(1, 90),
    ratios=st.lists(st.sampled_from([LANDSCAPE, PORTRAIT, PANORAMA, 1.0, 3 / 4]), max_size=8),
    caption_mm=st.floats(5, 20),
    room=st.sampled_from([ROOM, SizeMm(184.6, 271.6), SizeMm(254, 380), SizeMm(76, 120)]),
)
def test_every_picture_has_a_cell_on_a_page_and_no_two_meet(
    count: int, ratios: list[float], caption_mm: float, room: SizeMm
) -> None:
    found = grid(count, room, ratios, lambda _: caption_mm)
    shares = found.shares(count)
    assert sum(shares) == count and len(shares) == found.pages and min(shares) > 0
    assert max(shares) <= found.columns * found.rows
    cells = cells_of(found, max(shares))
    assert max(right for _, _, right, _ in cells) <= room.width + 1e-6
    assert max(bottom for _, _, _, bottom in cells) <= room.height + 1e-6
    for index, (left, top, right, bottom) in enumerate(cells):
        for left2, top2, right2, bottom2 in cells[index + 1 :]:
            apart = left2 - right, left - right2, top2 - bottom, top - bottom2
            assert max(apart) >= 6.9  # mm: white on all sides


@pytest.mark.parametrize(
    "ratios", [[LANDSCAPE], [PORTRAIT], [LANDSCAPE, PORTRAIT], [LANDSCAPE, PORTRAIT, PANORAMA]]
)
@pytest.mark.parametrize("count", [1, 2, 7, 20, 40, 61])
def test_no_picture_is_smaller_than_a_frame_of_film(count: int, ratios: list[float]) -> None:
    """36 mm, the longer edge of a frame of 35 mm film (ISO 1007, from memory)."""
    assert LEAST_MM == 36
    found = grid(count, ROOM, ratios, lambda _: 9.0)
    sizes = [fitted(found.frame_mm, ratio) for ratio in ratios]
    assert min(max(size.width, size.height) for size in sizes) >= 36


def test_pictures_on_their_side_and_upright_ones_have_the_same_weight() -> None:
    """With room to spare the longer edges are equal: neither kind outweighs the other."""
    found = grid(2, ROOM, [LANDSCAPE, PORTRAIT], lambda _: 9.0)
    lying, upright = fitted(found.frame_mm, LANDSCAPE), fitted(found.frame_mm, PORTRAIT)
    assert lying.width == pytest.approx(upright.height, rel=0.01)


def test_two_pictures_stand_side_by_side_and_forty_take_three_pages_or_fewer() -> None:
    assert grid(2, ROOM, [LANDSCAPE], lambda _: 9.0).columns == 2
    assert grid(40, ROOM, [LANDSCAPE], lambda _: 9.0).pages <= 2
    assert grid(40, ROOM, [LANDSCAPE, PORTRAIT], lambda _: 9.0).pages <= 3


def test_pages_are_filled_as_evenly_as_whole_rows_allow() -> None:
    found = Grid(pages=3, columns=4, rows=4, frame_mm=SizeMm(40, 40), caption_mm=9)
    assert found.shares(40) == [16, 12, 12]
    assert found.shares(33) == [12, 12, 9]


def test_a_sheet_without_room_for_one_picture_is_refused() -> None:
    with pytest.raises(ValueError, match="no room for a picture"):
        grid(3, SizeMm(60, 8), [LANDSCAPE], lambda _: 9.0)


# the type

NAMES = st.text(st.characters(categories=["L", "N", "P", "Zs"]), min_size=1, max_size=120)


@settings(max_examples=60, deadline=None)
@given(text=NAMES, room_mm=st.floats(12, 80))
def test_a_text_is_broken_without_losing_a_letter_and_no_line_is_too_long(text: str, room_mm: float) -> None:
    lines = broken(text, cap_mm=1.9, room_mm=room_mm)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(len(line) == 1 or width_mm(line, 1.9) <= room_mm + 1e-6 for line in lines)


def test_a_long_name_is_broken_after_what_joins_its_words() -> None:
    name = "IMG_20240712_edited_final_version.tif"
    lines = broken(name, cap_mm=1.9, room_mm=32)
    assert "".join(lines) == name and len(lines) > 1
    assert all(line.endswith("_") for line in lines[:-1])


def test_a_caption_says_number_name_and_every_fact_within_its_column() -> None:
    facts = ("394 x 254 mm", "11x17", "done", "3 copies", "edition 3/25")
    made = caption("03", "harbour at night, second version.tif", facts, room_mm=42)
    words = " ".join(text.words for text in made.lines)
    assert "03" in words and "harbour at night, second version.tif" in words
    assert all(fact in words for fact in facts)
    assert all(text.left_mm + width_mm(text.words, text.cap_mm) <= 42 + 1e-6 for text in made.lines)
    bases = [text.base_mm for text in made.lines[1:]]
    assert bases == sorted(bases) and made.height_mm > bases[-1]


def test_facts_are_not_torn_apart() -> None:
    lines = flowing(("394 x 254 mm", "11x17", "done"), cap_mm=1.5, room_mm=20)
    assert lines[0] == "394 x 254 mm" and "11x17" in lines[1]


def test_a_reason_is_set_smaller_until_it_fits_and_only_then_cut() -> None:
    short = reason("It has no profile.", room_mm=40, height_mm=20)
    long = reason("It has no profile. " * 18, room_mm=40, height_mm=20)
    endless = reason("It has no profile. " * 60, room_mm=40, height_mm=20)
    assert (short.lines[0].cap_mm, long.lines[0].cap_mm, endless.lines[0].cap_mm) == (1.5, 1.3, 1.1)
    assert " ".join(text.words for text in long.lines) == ("It has no profile. " * 18).strip()
    assert endless.lines[-1].words.endswith("...")
    assert max(short.height_mm, long.height_mm, endless.height_mm) <= 20 + 1e-6


# the page


def test_a_page_is_the_printable_area_in_the_stocks_profile_at_16_bits(tmp_path: Path) -> None:
    shown = Shown(number="01", name="a.tif", preview=a_preview(tmp_path / "a.jpg", (90, 110, 120), 300, 200))
    (made,) = contact_sheets([shown], HEAD, a_stock(ppi=300), LETTER)
    # 215.9 - 2 x 3.4 mm and 279.4 - 8 mm at 300 pixels an inch
    assert (made.frame.width, made.frame.height) == (round(209.1 / 25.4 * 300), round(271.4 / 25.4 * 300))
    assert (made.frame.pixels.format, made.bits, made.form) == ("ushort", 16, "printable")
    assert made.frame.icc == pearl_profile()
    (whole,) = contact_sheets([shown], HEAD, a_stock(ppi=300, edges=None), LETTER)
    assert (whole.frame.width, whole.frame.height, whole.form) == (2550, 3300, "sheet")


def test_paper_is_bare_outside_the_margins(tmp_path: Path) -> None:
    pictures = [
        Shown(
            number=f"{n:02d}",
            name=f"{n}.tif",
            preview=a_preview(tmp_path / f"{n}.jpg", (40, 80, 200), 300, 200),
        )
        for n in range(1, 13)
    ]
    pixels = page(pictures, stock=a_stock(edges=None))
    margin = int(12 / 25.4 * 120)  # mm: 12.7, above which an ascender may stand by less than half
    outside = pixels < 65535
    outside[margin:-margin, margin:-margin] = False
    assert not outside.any() and blue(pixels).any()


@pytest.mark.parametrize(
    "colour", [(180, 160, 140), (90, 110, 120), (200, 60, 50), (128, 128, 128), (30, 40, 35)]
)
def test_a_picture_has_the_colours_of_its_preview(tmp_path: Path, colour: tuple[int, int, int]) -> None:
    """The preview's colours with black brought to the paper's black: a straight line in XYZ (ISO 18619, 6)."""
    pixels = page([Shown(number="1", name="a", preview=a_preview(tmp_path / "a.jpg", colour, 300, 200))])
    with Image.open(tmp_path / "a.jpg") as preview:
        shown = np.array(preview)[100, 150] / 255  # as the JPEG has it
    XYZ = xyz_from_lab(device_to_lab(srgb(), shown[np.newaxis]))
    white = xyz_from_lab(np.array([[100.0, 0.0, 0.0]]))
    black = xyz_from_lab(np.array([[device_to_lab(pearl_profile(), np.zeros((1, 3)))[0, 0], 0.0, 0.0]]))
    wanted = lab_from_xyz(black + XYZ * (white - black) / white)[0]
    # a picture in the first of two columns: its middle, well below the head
    lit = np.argwhere((pixels < 65535).all(axis=2))
    rows = lit[:, 0][np.bincount(lit[:, 0], minlength=pixels.shape[0])[lit[:, 0]] > 200]
    printed = pixels[int(np.median(rows)), round((12.7 + 30 - 3.4) / 25.4 * 120)] / 65535
    assert np.linalg.norm(device_to_lab(pearl_profile(), printed[np.newaxis])[0] - wanted) < 1.5


def test_white_in_a_picture_is_bare_paper(tmp_path: Path) -> None:
    preview = a_preview(tmp_path / "a.jpg", (255, 255, 255), 300, 200)
    pixels = page([Shown(number="", name=" ", preview=preview)], sheet=LETTER)
    head_px = round(HEAD_MM / 25.4 * 120)
    assert (pixels[head_px:] == 65535).all()


@pytest.mark.parametrize(("width", "height"), [(300, 200), (200, 300), (600, 200), (250, 250)])
def test_a_picture_keeps_its_shape_and_stands_on_its_caption(tmp_path: Path, width: int, height: int) -> None:
    preview = a_preview(tmp_path / "a.jpg", (40, 80, 200), width, height)
    pixels = page([Shown(number="01", name="a.tif", preview=preview)], stock=a_stock(ppi=200))
    left, top, right, bottom = box_of(blue(pixels))
    assert (right - left) / (bottom - top) == pytest.approx(width / height, rel=0.02)
    caption_rows = np.flatnonzero((pixels[bottom + 2 :] < 65535).any(axis=(1, 2)))
    # the capitals of the name start 2.2 mm below
    assert caption_rows[0] + 2 == pytest.approx(2.2 / 25.4 * 200, abs=3)


def test_only_the_picture_is_shown_of_a_sheet_whose_record_tells_where_it_lies(tmp_path: Path) -> None:
    sheet = Image.new("RGB", (400, 300), (220, 30, 30))  # a margin in red, as no paper is
    sheet.paste((40, 80, 200), (50, 40, 350, 240))
    sheet.save(tmp_path / "a.jpg", "JPEG", quality=95, subsampling=0, icc_profile=srgb())
    # a pixel less on each side: a JPEG lets neighbours bleed into each other
    box = Box(54, 44, 292, 192)
    pixels = page([Shown(number="01", name="a.tif", preview=tmp_path / "a.jpg", picture=box)])
    red = pixels[..., 0].astype(int) - pixels[..., 2].astype(int) > 12000
    assert blue(pixels).any() and not red.any()
    whole = page([Shown(number="01", name="a.tif", preview=tmp_path / "a.jpg")])
    assert (whole[..., 0].astype(int) - whole[..., 2].astype(int) > 12000).any()


def test_the_box_in_the_preview_holds_whole_pixels_of_picture_only() -> None:
    # sheet pixels 10..309 at a fourth: 2.5..77.25, so preview pixels 3..76
    assert preview_box(Box(10, 20, 300, 200), 4) == Box(3, 5, 74, 50)
    assert preview_box(Box(7, 0, 99, 50), 1) == Box(7, 0, 99, 50)


def test_what_did_not_come_out_is_an_outline_with_its_reason_inside() -> None:
    pixels = page(
        [Shown(number="01", name="cut.jpg", facts=("refused",), why="It ends before its end mark.")]
    )
    empty = page([Shown(number="01", name="cut.jpg", facts=("refused",), why="")])
    head_px = round(HEAD_MM / 25.4 * 120)
    left, top, right, bottom = box_of((empty[head_px:] < 65535).all(axis=2))
    assert (right - left) / 120 * 25.4 == pytest.approx(91.8, abs=0.6)  # half of the room less the gutter
    said = np.argwhere((pixels != empty).any(axis=2))
    assert len(said) and (pixels != empty)[head_px + top : head_px + bottom, left:right].any(
        axis=2
    ).sum() == len(said)


@pytest.mark.parametrize("spoilt", ["gone", "no picture", "cut short"])
def test_a_preview_that_cannot_be_read_becomes_an_empty_frame_and_the_rest_is_made(
    tmp_path: Path, spoilt: str
) -> None:
    bad = tmp_path / "bad.jpg"
    if spoilt == "no picture":
        bad.write_text("Dear client")
    elif spoilt == "cut short":
        noise = np.random.default_rng(1).integers(0, 255, (200, 300, 3), np.uint8)
        Image.fromarray(noise).save(bad, "JPEG", quality=95)
        bad.write_bytes(bad.read_bytes()[:20_000])
    good = a_preview(tmp_path / "good.jpg", (40, 80, 200), 300, 200)
    pictures = [Shown(number="01", name="bad", preview=bad), Shown(number="02", name="good", preview=good)]
    pixels = page(pictures)
    half = pixels.shape[1] // 2
    assert blue(pixels[:, half:]).any() and not blue(pixels[:, :half]).any()
    outline = [Shown(number="01", name="bad", why="Its preview cannot be read."), pictures[1]]
    assert np.array_equal(pixels[:, :half], page(outline)[:, :half])


def test_lettering_is_neutral_and_names_are_darker_than_what_is_said_of_them() -> None:
    pixels = page([Shown(number="01", name="HARBOUR", facts=("DONE",), why="")], stock=a_stock(ppi=300))
    flat = pixels.reshape(-1, 3)
    inks, counts = np.unique(flat[(flat < 50000).all(axis=1)], axis=0, return_counts=True)
    solid = inks[np.argsort(counts)[-3:]] / 65535  # inside the strokes; the rest are their edges
    Lab = device_to_lab(pearl_profile(), solid)
    assert np.abs(Lab[:, 1:]).max() < 0.5
    # chosen for this page: names at L* 25, numbers and facts at 46, the outline at 72
    assert sorted(round(float(L_star)) for L_star in Lab[:, 0]) == [25, 46, 72]


def test_a_large_portfolio_takes_several_numbered_pages_and_shows_every_picture(tmp_path: Path) -> None:
    preview = a_preview(tmp_path / "a.jpg", (40, 80, 200), 60, 40)
    pictures = [
        Shown(number=f"{n:02d}", name=f"{n}.tif", facts=("done",), preview=preview) for n in range(1, 16)
    ]
    made = list(contact_sheets(pictures, HEAD, a_stock(ppi=72), POSTCARD))
    assert len(made) > 1
    assert [one.record["page"] for one in made] == list(range(1, len(made) + 1))
    assert {one.record["pages"] for one in made} == {len(made)}
    assert sum(one.record["pictures"] for one in made) == 15
    shares = [count_of_pictures(pixels_of(one.frame.pixels)) for one in made]
    assert shares == [one.record["pictures"] for one in made]


def count_of_pictures(pixels: Array) -> int:
    """How many separate blue fields there are."""
    return int(label(blue(pixels))[1])


@pytest.mark.parametrize("sheet", [LETTER, LEDGER, POSTCARD])
def test_every_sheet_from_a_postcard_on_can_be_a_contact_sheet(tmp_path: Path, sheet: Sheet) -> None:
    preview = a_preview(tmp_path / "a.jpg", (40, 80, 200), 60, 40)
    pictures = [Shown(number=f"{n}", name=f"{n}.tif", preview=preview) for n in range(1, 5)]
    found = pages(pictures, stock=a_stock(ppi=72), sheet=sheet)
    assert sum(count_of_pictures(one) for one in found) == 4


# the files


def test_it_is_written_as_a_sheet_with_exact_resolution_and_a_picture_for_screens(tmp_path: Path) -> None:
    shown = Shown(number="1", name="a", preview=a_preview(tmp_path / "a.jpg", (90, 110, 150), 300, 200))
    stock = a_stock(ppi=300)
    (made,) = contact_sheets([shown], HEAD, stock, LETTER)
    sheet, picture = tmp_path / "sheet.part", tmp_path / "picture.part"
    write_contact_sheet(made, sheet, picture, ppi=stock.ppi, icc=stock.icc, long_edge_px=1700)
    image = pyvips.Image.new_from_file(str(sheet))
    assert (image.format, image.bands, round(image.xres * 25.4, 4)) == ("ushort", 3, 300)
    assert image.get("icc-profile-data") == pearl_profile()
    with Image.open(picture) as screen:
        assert (screen.format, screen.info["icc_profile"]) == ("JPEG", srgb())
        # 3205 pixels high, reduced by 2 and rounded up
        assert screen.height == 1603
        seen = np.asarray(screen)
    left, top, right, bottom = box_of(seen[..., 2].astype(int) - seen[..., 0] > 40)
    middle = seen[(top + bottom) // 2, (left + right) // 2]
    assert np.abs(middle.astype(int) - (90, 110, 150)).max() <= 3  # within the paper's gamut: there and back


def test_a_disk_that_fails_is_the_machines_fault(tmp_path: Path) -> None:
    (made,) = contact_sheets([Shown(number="1", name="a", why="No.")], HEAD, a_stock(), LETTER)
    assert isinstance(made, Finished)
    with pytest.raises(MachineFault, match="contact sheet cannot be written"):
        write_contact_sheet(
            made,
            tmp_path / "none" / "a.tif",
            tmp_path / "a.jpg",
            ppi=120,
            icc=pearl_profile(),
            long_edge_px=1000,
        )
