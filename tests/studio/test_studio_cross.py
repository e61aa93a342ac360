"""Faults between files: what one says of another, and folders that would feed each other."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from studio_kit import OFFERS, SHORELINE, STUDIO, faults, lay_out

from drydown.errors import StudioError
from drydown.studio.load import load
from drydown.studio.overlap import overlaps


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'recipe = "shoreline"\nsheet_maker = "final"',
            'recipe = "shorline"\nsheet_maker = "final"',
            "hot_folder 2 (hot/final): recipe: no recipe is called 'shorline'; did you mean shoreline?",
        ),
        (
            'sheet_maker = "final"',
            'sheet_maker = "finale"',
            "hot_folder 2 (hot/final): sheet_maker: "
            "no installed plugin offers a sheet maker called 'finale'; did you mean final?",
        ),
        (
            'sheet_maker = "final"',
            'sheet_maker = "sharpen"',
            "hot_folder 2 (hot/final): sheet_maker: 'sharpen' is a step, not a sheet maker; installed: final and test-strip",
        ),
        (
            'sheet = "letter"',
            'sheet = "A4"',
            "hot_folder 1 (hot/proof): sheet: stock pearl does not keep A4 (210 × 297 mm); "
            "it keeps letter (215.9 × 279.4 mm): these are two sizes, and never the same sheet",
        ),
        (
            '"hot/final"',
            '"elsewhere/proof"',
            "hot_folder 2 (elsewhere/proof): is called 'proof', as hot_folder 1 is; "
            'give one of them a name of its own: name = "…"',
        ),
        (
            '"hot/final"',
            '"hot/proof/in"',
            "hot_folder 2 (hot/proof/in): path: lies in hot/proof; give it a place of its own",
        ),
        ('"hot/final"', '"hot"', "hot_folder 2 (hot): path: holds hot/proof; give it a place of its own"),
        (
            '"hot/final"',
            '"prints/final"',
            "hot_folder 2 (prints/final): path: lies in prints/; what is published there would be taken again",
        ),
        (
            '"hot/final"',
            '"originals/held"',
            "hot_folder 2 (originals/held): path: lies in originals/; give it a place of its own",
        ),
        (
            STUDIO,
            '[hot_folder]\npath = "hot/final"\nrecipe = "shoreline"\nsheet_maker = "final"\n',
            "hot_folder: is one table; write [[hot_folder]], with two brackets",
        ),
        ('"hot/final"', '"."', "hot_folder 2 (.): path: must name a file or folder; found '.'"),
        (
            '"hot/final"',
            r'"a\u0000b"',
            r"hot_folder 2 (a\x00b): path: must name a file or folder; found 'a\x00b'",
        ),
        (
            '"hot/final"',
            '"~/drop"',
            'hot_folder 2 (~/drop): path: write the whole path, without ~; found "~/drop"',
        ),
        (
            '"hot/final"',
            '"/mnt/.."',
            "hot_folder 2 (/mnt/..): '..' cannot be the name of a folder in prints/; "
            'give it a name of its own: name = "…"',
        ),
    ],
)
def test_a_fault_between_files_is_told_in_words(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in STUDIO
    assert faults(tmp_path, studio=STUDIO.replace(old, new)) == [f"studio.toml: {told}"]


def test_a_final_on_a_sheet_too_small_for_its_margins_is_a_fault_of_the_hot_folder(tmp_path: Path) -> None:
    studio = STUDIO.replace('sheet_maker = "test-strip"', 'sheet_maker = "final"')
    found = faults(tmp_path, studio=studio, shoreline=SHORELINE.replace("12.7", "105"))
    assert found == [
        "studio.toml: hot_folder 1 (hot/proof): sheet: margins leave 5.9 × 69.4 mm for the picture "
        "on letter (215.9 × 279.4 mm) upright; make them smaller, or the sheet larger"
    ]


def test_a_hot_folder_that_is_or_holds_the_studio_is_told(tmp_path: Path) -> None:
    root = tmp_path / "studio"
    found = faults(root, studio=STUDIO.replace('"hot/final"', f'"{tmp_path}"'))
    assert (
        f"studio.toml: hot_folder 2 ({tmp_path}): path: holds prints/; what is published there would be taken again"
        in found
    )


def test_two_names_of_one_folder_are_found_out(tmp_path: Path) -> None:
    lay_out(tmp_path, studio=STUDIO.replace('"hot/final"', '"link"'))
    (tmp_path / "hot/proof").mkdir(parents=True)
    (tmp_path / "link").symlink_to("hot/proof")
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    assert (
        str(caught.value)
        == "studio.toml: hot_folder 2 (link): path: is hot/proof; give it a place of its own"
    )


def test_a_hot_folder_reached_through_a_link_into_prints_is_found_out(tmp_path: Path) -> None:
    lay_out(tmp_path, studio=STUDIO.replace('"hot/final"', '"link/new"'))
    (tmp_path / "prints/final").mkdir(parents=True)
    (tmp_path / "link").symlink_to("prints/final")
    with pytest.raises(StudioError) as caught:
        load(tmp_path, OFFERS)
    told = "lies in prints/; what is published there would be taken again"
    assert str(caught.value) == f"studio.toml: hot_folder 2 (link/new): path: {told}"


def test_a_bind_mount_is_one_folder_under_two_names(tmp_path: Path) -> None:
    """A bind mount shows as the same device and inode under another path."""
    for name in ("prints/final", "mnt/drop"):
        (tmp_path / name).mkdir(parents=True)

    def stat(path: Path) -> os.stat_result:
        return (tmp_path / "prints/final" if path == tmp_path / "mnt/drop" else path).stat()

    assert overlaps([tmp_path / "prints/final", tmp_path / "mnt/drop"], stat=stat) == [(1, "is", 0)]
    assert overlaps([tmp_path / "prints/final", tmp_path / "mnt/drop/in"], stat=stat) == [(1, "lies in", 0)]
    assert overlaps([tmp_path / "mnt", tmp_path / "prints/final"], stat=stat) == []


def test_folders_side_by_side_do_not_overlap(tmp_path: Path) -> None:
    assert overlaps([tmp_path / "hot/a", tmp_path / "hot/ab", tmp_path / "prints/a"]) == []


def test_a_faulty_stock_or_recipe_is_not_told_again_by_those_who_name_it(tmp_path: Path) -> None:
    found = faults(tmp_path, pearl="ppi = 3\n")
    assert len(found) == 3
    assert all(fault.startswith("stocks/pearl.toml: ") for fault in found)
    assert faults(tmp_path, shoreline="= 3") == [
        "recipes/shoreline.toml: line 1, column 1: not TOML: invalid statement"
    ]


def test_every_fault_of_every_file_is_told_at_once_in_the_order_of_the_files(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        studio="""
[[hot_folder]]
path = "prints/x"
recipe = "shoreline"
sheet_maker = "finel"
[[hot_folder]]
path = "hot/a"
recipe = "gone"
sheet_maker = "final"
copys = 2
[daemon]
quiet_s = 0
""",
        pearl="""
profile = "profiles/none.icc"
ppi = 360
sheets = ["letter", "11x17", "11x17in", "poster"]
""",
        shoreline="""
stock = "pearl"
sheet = "A3"
margn_mm = 5
[[step]]
use = "crop"
fit = "fil"
[[step]]
use = "sharpn"
[[step]]
use = "tone-lift"
lift_L = 11
contrast = "high"
[test-strips]
""",
        other='stock = "matte"\nsheet = "letter"\nviewing_mm = 1\n[[step]]\nuse = "convert"\nintent = "rel"\n',
    )
    assert found == [
        "studio.toml: hot_folder 1 (prints/x): path: lies in prints/; what is published there would be taken again",
        "studio.toml: hot_folder 1 (prints/x): sheet_maker: "
        "no installed plugin offers a sheet maker called 'finel'; did you mean final?",
        "studio.toml: hot_folder 2 (hot/a): copys: no such key; did you mean copies?",
        "studio.toml: hot_folder 2 (hot/a): recipe: no recipe is called 'gone'; recipes/ has other and shoreline",
        "studio.toml: daemon.quiet_s: must be at least 0.3; found 0",
        "stocks/pearl.toml: profile: profiles/none.icc is missing; did you mean profiles/pearl.icc?",
        "stocks/pearl.toml: sheets 3: '11x17in' stands twice, before as '11x17'",
        "stocks/pearl.toml: sheets 4: no sheet is called 'poster'; "
        "give its size in a [[custom_sheet]] table of the stock",
        "recipes/other.toml: viewing_mm: must be at least 100; found 1",
        "recipes/other.toml: stock: no stock is called 'matte'; stocks/ has pearl",
        'recipes/other.toml: step 1 (convert): intent: must be "perceptual", "relative", "saturation" or "absolute"; '
        'found "rel"; did you mean "relative"?',
        "recipes/shoreline.toml: margn_mm: no such key; did you mean margin_mm?",
        "recipes/shoreline.toml: sheet: stock pearl does not keep A3 (297 × 420 mm); "
        "it keeps 11x17 (279.4 × 431.8 mm): these are two sizes, and never the same sheet",
        'recipes/shoreline.toml: step 1 (crop): fit: must be "fill" or "whole"; found "fil"; did you mean "fill"?',
        "recipes/shoreline.toml: step 2 (sharpn): no installed plugin offers a step called 'sharpn'; "
        "did you mean sharpen?",
        "recipes/shoreline.toml: step 3 (tone-lift): lift_L: must be at most 10; found 11",
        'recipes/shoreline.toml: step 3 (tone-lift): contrast: must be a number; found "high"',
        "recipes/shoreline.toml: [test-strips]: no installed plugin offers a sheet maker called 'test-strips'; "
        "did you mean test-strip?",
    ]
