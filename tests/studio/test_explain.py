"""The studio in words, and advice. The limits of lift, CC and contrast are those of the tone and balance model; the rest is common practice, no source."""

from __future__ import annotations

from pathlib import Path

import pytest
from studio_kit import PEARL, SHORELINE, STUDIO, opened

from drydown.api import EdgesMm, Sheet
from drydown.studio.explain import Explanation, explain
from drydown.studio.profiles import ProfileWords, open_profiles

STATED = PEARL + 'driver_colour = "off"\nscaling = "none"\n'


def advice(root: Path, **changed: str) -> list[str]:
    return [str(one) for one in explain(opened(root, **changed)).advice]


def swapped(one: str, other: str) -> str:
    """The recipe with two of its steps exchanged, settings and all."""
    head, *steps = SHORELINE.split("[[step]]\n")
    last, final = steps[-1].split("[final]")
    steps[-1] = last
    at = [next(i for i, text in enumerate(steps) if f'"{name}"' in text) for name in (one, other)]
    steps[at[0]], steps[at[1]] = steps[at[1]], steps[at[0]]
    return head + "".join(f"[[step]]\n{text}" for text in steps) + "[final]" + final


def test_a_hot_folder_is_told_from_the_paper_to_the_prints_folder(tmp_path: Path) -> None:
    text = SHORELINE.replace("margin_mm = 12.7", 'margin_mm = 12.7\nbinding_mm = 25.4\nleaf = "verso"')
    studio = opened(tmp_path, shoreline=text, studio=STUDIO + "approve = true\ncopies = 2\n")
    told = explain(studio, profiles={"pearl": ProfileWords("Pearl, high", 4)}).told[1]
    assert told.name == "hot/final"
    assert told.paragraphs == (
        "Recipe shoreline, ended by final. Each job waits after its preview until it is approved. 2 copies."
        " A picture without a profile is taken for sRGB, with a note.",
        'Stock pearl, lot 0412: profiles/pearl.icc ("Pearl, high", ICC version 4), 360 pixels an inch;'
        " not printable: top 3, right 4, bottom 5, left 6 mm.",
        "Sheet 11x17: 279.4 × 431.8 mm (11 × 17 in), 3960 × 6120 px; na_ledger_11x17in.",
        "Room for an upright picture: 241.3 × 406.4 mm (9.5 × 16 in), 3420 × 5760 px;"
        " for one on its side: 393.7 × 254 mm (15.5 × 10 in), 5580 × 3600 px.",
        "Margins top 12.7, right 25.4, bottom 12.7, left 12.7 mm; bound at the right of the picture seen upright, a verso."
        " To be seen at 400 mm, under D50 500 lx.",
        "1. flatten.",
        "2. crop; fit fill (default), focus [0.5, 0.5] (default).",
        "3. resample.",
        "4. convert: media-relative colorimetric, with black point compensation; hard_proof false (default).",
        "5. tone-lift; lift_L 3 (recipe), contrast 1 (default).",
        "6. balance; cyan 0 (default), magenta 0 (default), yellow 0 (default).",
        "7. sharpen; strength 0.4 (recipe).",
        "Then final: slug true (recipe), bits 16 (default), form printable (stock).",
        "The ticket states media_type photographic-satin and quality high. NOT STATED: printer, media_name_in_driver,"
        " printable_side, media_source, feed_edge, size_name_in_driver, resolution, direction, black_ink, platen,"
        " scaling, borderless, placement and driver_colour.",
        "Judge not before 30 min after printing.",
        "Sheets go to prints/final/, each with a preview, a ticket and a record.",
    )


def test_a_proof_says_for_which_sheet_it_is_cropped(tmp_path: Path) -> None:
    told = explain(opened(tmp_path)).told[0]
    assert told.paragraphs[2].startswith("Sheet letter: 215.9 × 279.4 mm (8.5 × 11 in), 3060 × 3960 px")
    assert told.paragraphs[3].startswith(
        "Room for an upright picture of the final sheet 11x17: 254 × 406.4 mm"
    )


def test_a_recipe_in_no_hot_folder_is_told_as_what_run_would_do(tmp_path: Path) -> None:
    told = explain(opened(tmp_path, dunes=SHORELINE)).told
    assert [one.name for one in told] == ["hot/proof", "hot/final", "run dunes"]


def test_a_sound_studio_needs_no_advice_and_has_no_faults(tmp_path: Path) -> None:
    found = explain(opened(tmp_path, pearl=STATED))
    assert (found.advice, found.faults) == ((), ())
    assert "Advice" not in found.text()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "lift_L = 3",
            "lift_L = 4.5",
            "tone-lift and balance: lift_L 4.5 after convert is more than 4: saturated colours lag behind greys and look heavy;"
            " put the same step before convert for so large a move",
        ),
        (
            "lift_L = 3",
            "contrast = 0.8",
            "tone-lift and balance: contrast 0.8 after convert is outside 0.85 to 1.15: saturated colours turn in hue;"
            " put the same step before convert for so large a move",
        ),
        (
            'use = "balance"',
            'use = "balance"\nyellow = -21',
            "tone-lift and balance: -21 CC of yellow after convert is more than 20: this is no longer a cast of the paper;"
            " put the same step before convert for so large a move",
        ),
        (
            'use = "balance"',
            'use = "tone-lift"\nname = "again"\nlift_L = 2',
            "tone-lift and again: lift_L 5 after convert is more than 4: saturated colours lag behind greys and look heavy;"
            " put the same step before convert for so large a move",
        ),
    ],
)
def test_a_move_that_is_large_after_conversion_is_advised_before_it(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    found = advice(tmp_path, pearl=STATED, shoreline=SHORELINE.replace(old, new))
    assert found == [f"recipes/shoreline.toml: {told}"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            swapped("tone-lift", "convert"),
            ["tone-lift before convert: works there on RGB only: a grey or CMYK picture will be held"],
        ),
        (
            swapped("resample", "sharpen"),
            [
                "resample after sharpen: sharpening is made for the final size, and resample blurs what was sharpened before;"
                " put resample before sharpen",
                "resample after convert: a printer's space is not linear in light, so fine texture is averaged too dark there;"
                " put resample before convert",
                "sharpen before convert: weighs lightness by the picture's own space;"
                " after convert it is weighed as this paper shows it",
            ],
        ),
        (
            swapped("crop", "resample"),
            [
                "crop after resample: crop changes the size that resample has brought to the stock's pixels an inch;"
                " put crop before resample"
            ],
        ),
        (
            SHORELINE.replace('[[step]]\nuse = "flatten"\n', ""),
            ["has no flatten step: a picture with transparency cannot be converted"],
        ),
    ],
)
def test_a_slip_in_the_order_of_the_chain_is_advised_against(
    tmp_path: Path, text: str, told: list[str]
) -> None:
    found = advice(tmp_path, pearl=STATED, shoreline=text)
    assert [one.removeprefix("recipes/shoreline.toml: ") for one in found] == told


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'driver_colour = "off"',
            'driver_colour = "by the printer"',
            "ticket.driver_colour: is 'by the printer': colour would be handled twice; set it off",
        ),
        (
            'scaling = "none"',
            'scaling = "fit"',
            "ticket.scaling: is 'fit': sheets are made at their exact size; set it none",
        ),
        (
            "dry_minutes = 30",
            'dry_minutes = 30\nstrip_quality = "draft"',
            "strip_quality: is 'draft' where finals print at 'high':"
            " such strips tell about crop and sharpness, not about colour",
        ),
        ("dry_minutes = 30", "", "states no dry_minutes: a print judged wet is judged wrong"),
        (
            "unprintable_mm = { top = 3, right = 4, bottom = 5, left = 6 }",
            "",
            "states no unprintable_mm: a driver may clip or shift the sheet; measure with drydown check --sheet",
        ),
    ],
)
def test_what_a_stock_leaves_open_or_sets_wrong_is_advised(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    found = advice(tmp_path, pearl=STATED.replace(old, new))
    assert [one.replace("toml: ", "toml ", 1).removeprefix("stocks/pearl.toml ") for one in found] == [told]


def test_a_leaf_that_binds_across_the_grain_is_told_for_either_way_of_the_picture(tmp_path: Path) -> None:
    pearl = STATED.replace("dry_minutes = 30", 'dry_minutes = 30\ngrain = "long"')
    bound = SHORELINE.replace("margin_mm = 12.7", "margin_mm = 12.7\nbinding_mm = 25.4")
    assert advice(tmp_path, pearl=pearl, shoreline=bound) == [
        "stocks/pearl.toml: grain: runs along the long side, and a picture on its side binds along the short one:"
        " the leaf will not lie flat"
    ]
    top = bound.replace("binding_mm = 25.4", 'binding_mm = 25.4\nbinding_side = "top"')
    assert advice(tmp_path, pearl=pearl, shoreline=top) == [
        "stocks/pearl.toml: grain: runs along the long side, and an upright picture binds along the short one:"
        " the leaf will not lie flat"
    ]


def test_one_profile_for_two_ways_of_printing_is_told(tmp_path: Path) -> None:
    opened(tmp_path)
    (tmp_path / "stocks/quick.toml").write_text(STATED.replace('"high"', '"normal"'))
    assert advice(tmp_path, pearl=STATED) == [
        "stocks/pearl.toml and stocks/quick.toml: share profiles/pearl.icc, and differ in quality high and normal:"
        " a profile holds for one way of printing"
    ]


def test_a_chain_without_conversion_is_a_fault_unless_a_step_of_ones_own_may_convert(tmp_path: Path) -> None:
    text = SHORELINE.replace('[[step]]\nuse = "convert"\n', "")
    found = explain(opened(tmp_path, shoreline=text))
    assert [str(fault) for fault in found.faults] == [
        "recipes/shoreline.toml: has no convert step: the picture would keep its own colours, and no sheet is made of that;"
        ' add [[step]] use = "convert"'
    ]


def test_a_chain_without_resampling_is_a_fault(tmp_path: Path) -> None:
    text = SHORELINE.replace('[[step]]\nuse = "resample"\n', "")
    found = explain(opened(tmp_path, shoreline=text))
    assert [str(fault) for fault in found.faults] == [
        "recipes/shoreline.toml: has no resample step: nothing brings the picture to the stock's pixels an inch;"
        ' add [[step]] use = "resample"'
    ]


def test_a_printable_area_that_nobody_has_measured_is_a_fault(tmp_path: Path) -> None:
    edges = "unprintable_mm = { top = 3, right = 4, bottom = 5, left = 6 }"
    text = SHORELINE.replace("slug = true", 'form = "printable"')
    assert explain(opened(tmp_path, pearl=STATED, shoreline=text)).faults == ()
    found = explain(opened(tmp_path, pearl=STATED.replace(edges, ""), shoreline=text))
    assert [str(fault) for fault in found.faults] == [
        "recipes/shoreline.toml: [final]: form: is printable, and stock pearl does not state its unprintable_mm;"
        " state them in the stock, or use sheet"
    ]


@pytest.mark.parametrize("where", ["stock", "step"])
def test_an_absolute_conversion_without_a_paper_to_imitate_is_a_fault(tmp_path: Path, where: str) -> None:
    pearl, shoreline = STATED, SHORELINE
    if where == "stock":
        pearl, place = (
            STATED.replace("ppi = 360", 'ppi = 360\nintent = "absolute"'),
            "stocks/pearl.toml: intent",
        )
    else:
        shoreline = SHORELINE.replace('use = "convert"', 'use = "convert"\nintent = "absolute"')
        place = "recipes/shoreline.toml: step 4 (convert): intent"
    found = explain(opened(tmp_path, pearl=pearl, shoreline=shoreline))
    assert [str(fault) for fault in found.faults] == [
        f"{place}: ICC-absolute colorimetric prints the picture's white as a tint that ends at the picture's edge;"
        " it is for imitating another paper: set hard_proof and that paper's profile, or use relative"
    ]
    proof = shoreline.replace('use = "convert"', 'use = "convert"\nhard_proof = true')
    found = explain(opened(tmp_path, pearl=pearl, shoreline=proof))
    assert found.faults == ()
    assert "black_point_compensation: has no effect: ICC-absolute colorimetric never compensates" in str(
        found.advice[0]
    )


def test_compensation_that_a_version_4_profile_forces_is_told(tmp_path: Path) -> None:
    pearl = STATED.replace("ppi = 360", 'ppi = 360\nintent = "perceptual"\nblack_point_compensation = false')
    studio = opened(tmp_path, pearl=pearl)
    told = "false has no effect: a version 4 profile's perceptual conversion always compensates"

    def said(version: int) -> Explanation:
        return explain(studio, profiles={"pearl": ProfileWords("Pearl", version)})

    assert [one.text for one in said(4).advice] == [told]
    assert said(2).advice == ()


def test_a_profile_that_describes_no_printer_is_told(tmp_path: Path) -> None:
    studio = opened(tmp_path, pearl=STATED)
    (told,) = explain(studio, profiles={"pearl": ProfileWords("sRGB", 2, of_printer=False)}).advice
    assert str(told).startswith('stocks/pearl.toml: profile: "sRGB" describes no printer: ')
    assert explain(studio, profiles={"pearl": ProfileWords("Pearl", 2)}).advice == ()


def test_a_picture_in_the_unprintable_edge_is_a_fault_of_the_recipe_and_geometry_is_asked_once_a_final(
    tmp_path: Path,
) -> None:
    asked: list[tuple[str, EdgesMm, EdgesMm | None, bool]] = []

    def placement(
        sheet: Sheet, margins_mm: EdgesMm, unprintable_mm: EdgesMm | None, *, slug: bool
    ) -> list[str]:
        asked.append((sheet.name, margins_mm, unprintable_mm, slug))
        return ["the picture enters the 5 mm at the bottom"]

    found = explain(
        opened(tmp_path, shoreline=SHORELINE.replace("slug = true", "slug = false")),
        placement_faults=placement,
    )
    assert asked == [("11x17", EdgesMm(12.7, 12.7, 12.7, 12.7), EdgesMm(3, 4, 5, 6), False)]
    assert [str(fault) for fault in found.faults] == [
        "recipes/shoreline.toml: on 11x17: the picture enters the 5 mm at the bottom"
    ]
    assert "Faults\n  recipes/shoreline.toml" in found.text()


def test_a_strength_that_the_recipe_leaves_to_the_stock_is_told_as_the_stocks(tmp_path: Path) -> None:
    told = explain(opened(tmp_path, shoreline=SHORELINE.replace("strength = 0.4", ""))).told[1]
    assert "7. sharpen: strength 0.4 (stock)." in told.paragraphs


def test_every_profile_is_opened_and_one_that_cannot_print_is_a_fault_of_its_stock(tmp_path: Path) -> None:
    studio = opened(tmp_path)
    words = ProfileWords("Pearl", 4)
    assert open_profiles(tmp_path, studio.stocks, lambda icc: words) == ({"pearl": words}, [])

    def damaged(icc: bytes) -> ProfileWords:
        raise ValueError(f"{len(icc)} bytes are no profile.")

    found, faults = open_profiles(tmp_path, studio.stocks, damaged)
    assert found == {}
    assert [str(fault) for fault in faults] == [
        "stocks/pearl.toml: profile: profiles/pearl.icc cannot be used: 9 bytes are no profile"
    ]
    (tmp_path / "profiles/pearl.icc").unlink()
    _, faults = open_profiles(tmp_path, studio.stocks, damaged)
    assert [str(fault) for fault in faults] == [
        "stocks/pearl.toml: profile: profiles/pearl.icc cannot be read: no such file or directory"
    ]
