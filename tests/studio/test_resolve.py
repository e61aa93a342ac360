"""Complete settings for a job: layers and origins, sheets, margins with binding and leaf."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from studio_kit import OFFERS, PEARL, SHORELINE, STUDIO, lay_out, offer, opened

from drydown.api import EdgesMm, Settings, SizeMm
from drydown.errors import Hold, NotFound, StudioError
from drydown.studio.load import load
from drydown.studio.resolve import PictureFaults, read_picture_file, resolve, resolve_hot


def picture_faults(root: Path, picture: dict[str, object]) -> str:
    with pytest.raises(PictureFaults) as caught:
        resolve(opened(root), recipe="shoreline", picture=picture, picture_name="tide.toml")
    return str(caught.value)


def test_settings_are_complete_and_each_says_where_it_comes_from(tmp_path: Path) -> None:
    found = resolve(opened(tmp_path), recipe="shoreline")
    assert [step.name for step in found.steps] == [
        "flatten",
        "crop",
        "resample",
        "convert",
        "tone-lift",
        "balance",
        "sharpen",
    ]
    lift = found.step("tone-lift")
    assert lift is not None
    assert lift.values() == {"lift_L": 3.0, "contrast": 1.0}
    assert lift.origin == {"lift_L": "recipe"}
    assert (found.maker.use, found.maker.values(), found.maker.origin) == (
        "final",
        {"slug": True, "bits": 16, "form": None},
        {"slug": "recipe"},
    )
    assert (found.stock_name, found.profile) == ("pearl", tmp_path / "profiles/pearl.icc")
    assert (found.viewing_mm, found.light, found.untagged, found.copies, found.edition) == (
        400,
        "D50 500 lx",
        "srgb",
        1,
        "",
    )


def test_a_pictures_own_file_is_laid_over_the_recipe_in_each_of_its_spellings(tmp_path: Path) -> None:
    (tmp_path / "tide.toml").write_text(
        'copies = 2\nedition = "3/25"\nuntagged = "hold"\n'
        '"balance.magenta" = 5\ntone-lift.contrast = 1.1\n'
        "[crop]\nfocus = [0.4, 0.25]\n[final]\nslug = false\n[test-strip]\nvary = []\n"
    )
    found = resolve(
        opened(tmp_path), recipe="shoreline", picture=read_picture_file(tmp_path / "tide.toml"), copies=3
    )
    values = {step.name: step.values() for step in found.steps}
    assert values["balance"] == {"cyan": 0.0, "magenta": 5.0, "yellow": 0.0}
    assert values["tone-lift"] == {"lift_L": 3.0, "contrast": 1.1}
    assert values["crop"]["focus"] == [0.4, 0.25]
    lift = found.step("tone-lift")
    assert lift is not None
    assert lift.origin == {"lift_L": "recipe", "contrast": "picture"}
    assert found.maker.values()["slug"] is False
    assert (found.copies, found.edition, found.untagged) == (2, "3/25", "hold")


@pytest.mark.parametrize(
    ("picture", "told"),
    [
        ({"tone-lift": {"lift_L": 40}}, "a fault: tone-lift: lift_L: must be at most 10; found 40"),
        ({"balance.magneta": 5}, "a fault: balance: magneta: no such key; did you mean magenta?"),
        (
            {"ballance": {"cyan": 5}},
            "a fault: ballance: recipe shoreline has no step called 'ballance'; did you mean balance?",
        ),
        (
            {"lift_L": 5},
            "a fault: lift_L: recipe shoreline has no step called 'lift_L'; did you mean tone-lift.lift_L?",
        ),
        ({"crop": 5}, "a fault: crop: must be a table; found 5; write [crop] and its settings below"),
        (
            {"crop": {"use": "x"}},
            "a fault: crop: use: cannot be set for one picture; the chain is the recipe's",
        ),
        ({"copies": 0}, "a fault: copies: must be at least 1; found 0"),
        (
            {"copies": "two", "sharpen.strength": 2, "sheet": "A4"},
            '3 faults: copies: must be a whole number; found "two"; sheet: stock pearl does not keep A4 (210 × 297 mm); '
            "it keeps letter (215.9 × 279.4 mm): these are two sizes, and never the same sheet; "
            "sharpen: strength: must be at most 1; found 2",
        ),
    ],
)
def test_faults_of_a_pictures_own_file_hold_its_job(
    tmp_path: Path, picture: dict[str, object], told: str
) -> None:
    assert (
        picture_faults(tmp_path, picture)
        == f"The picture's own tide.toml has {told}. Mend it, then retry the job."
    )


def test_a_pictures_own_file_that_is_not_toml_holds_its_job(tmp_path: Path) -> None:
    (tmp_path / "tide.toml").write_text("copies = two\n")
    with pytest.raises(Hold) as caught:
        read_picture_file(tmp_path / "tide.toml")
    assert str(caught.value) == (
        "The picture's own tide.toml has a fault: line 1, column 10: not TOML: invalid value; "
        "text stands in quotes; true, false and numbers do not. Mend it, then retry the job."
    )
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_a_step_used_twice_is_set_by_its_name(tmp_path: Path) -> None:
    text = SHORELINE.replace(
        "[final]", '[[step]]\nuse = "sharpen"\nname = "last-touch"\nstrength = 0.1\n[final]'
    )
    found = resolve(
        opened(tmp_path, shoreline=text), recipe="shoreline", picture={"last-touch.strength": 0.2}
    )
    assert [step.values()["strength"] for step in found.steps if step.use == "sharpen"] == [0.4, 0.2]
    assert found.steps[-1].use == "sharpen"


@pytest.mark.parametrize(
    ("binding", "edges"),
    [
        ("", EdgesMm(12.7, 12.7, 12.7, 12.7)),
        ("binding_mm = 25.4", EdgesMm(12.7, 12.7, 12.7, 25.4)),
        ('binding_mm = 25.4\nleaf = "recto"', EdgesMm(12.7, 12.7, 12.7, 25.4)),
        ('binding_mm = 25.4\nleaf = "verso"', EdgesMm(12.7, 25.4, 12.7, 12.7)),
        ('binding_mm = 25.4\nbinding_side = "right"\nleaf = "verso"', EdgesMm(12.7, 12.7, 12.7, 25.4)),
        ('binding_mm = 25.4\nbinding_side = "top"', EdgesMm(25.4, 12.7, 12.7, 12.7)),
        ('binding_mm = 25.4\nbinding_side = "top"\nleaf = "verso"', EdgesMm(25.4, 12.7, 12.7, 12.7)),
        ('binding_mm = 5\nbinding_side = "bottom"', EdgesMm(12.7, 12.7, 5, 12.7)),
    ],
)
def test_the_binding_replaces_the_margin_on_its_side_and_a_verso_mirrors_it(
    tmp_path: Path, binding: str, edges: EdgesMm
) -> None:
    text = SHORELINE.replace("margin_mm = 12.7", f"margin_mm = 12.7\n{binding}")
    assert resolve(opened(tmp_path, shoreline=text), recipe="shoreline").margins_mm == edges


def test_a_landscape_book_page_has_the_room_that_the_hand_works_out(tmp_path: Path) -> None:
    """17x11 inches less half an inch and a binding edge of one inch: 15.5 x 10 inches."""
    text = SHORELINE.replace("margin_mm = 12.7", "margin_mm = 12.7\nbinding_mm = 25.4")
    found = resolve(opened(tmp_path, shoreline=text), recipe="shoreline")
    room = found.margins_mm.inside(found.final_sheet.size.turned())
    assert (room.width / 25.4, room.height / 25.4) == pytest.approx((15.5, 10))


def test_a_proof_prints_on_its_own_sheet_and_keeps_the_crop_of_the_recipes(tmp_path: Path) -> None:
    studio = opened(tmp_path)
    proof = resolve_hot(studio, studio.hot_folders[0])
    assert (proof.maker.use, proof.sheet.name, proof.final_sheet.name) == ("test-strip", "letter", "11x17")


def test_a_final_on_another_sheet_is_cropped_for_that_sheet(tmp_path: Path) -> None:
    found = resolve(opened(tmp_path), recipe="shoreline", maker="final", sheet="13x19")
    assert (found.sheet.name, found.final_sheet.name) == ("13x19", "13x19")


def test_a_sheet_of_the_stocks_own_is_found(tmp_path: Path) -> None:
    pearl = PEARL.replace('"13x19"', '"13x19", "square"').replace(
        "[ticket]", '[[custom_sheet]]\nname = "square"\nwidth_mm = 300\nheight_mm = 300\n[ticket]'
    )
    found = resolve(opened(tmp_path, pearl=pearl), recipe="shoreline", sheet="square")
    assert (found.sheet.size, found.sheet.pwg) == (SizeMm(300, 300), "custom_square_300x300mm")


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"recipe": "shore"}, "No recipe is called 'shore'; did you mean shoreline?"),
        ({"recipe": "shoreline", "maker": "finl"}, "No sheet maker is called 'finl'; did you mean final?"),
        (
            {"recipe": "shoreline", "sheet": "A3+"},
            "Stock pearl does not keep A3+ (329 × 483 mm); "
            "it keeps 13x19 (330.2 × 482.6 mm): these are two sizes, and never the same sheet.",
        ),
    ],
)
def test_what_is_not_there_is_told_with_a_guess(tmp_path: Path, asked: dict[str, str], told: str) -> None:
    with pytest.raises(NotFound) as caught:
        resolve(opened(tmp_path), **asked)  # type: ignore[arg-type]
    assert str(caught.value) == told


def test_the_hot_folders_own_words_count_unless_the_picture_says_otherwise(tmp_path: Path) -> None:
    text = STUDIO + 'copies = 4\nedition = "1/10"\nuntagged = "hold"\napprove = true\n'
    studio = opened(tmp_path, studio=text)
    hot = studio.hot_folders[1]
    assert (hot.name, hot.path, hot.prints) == ("final", tmp_path / "hot/final", tmp_path / "prints/final")
    assert hot.approve
    found = resolve_hot(studio, hot)
    assert (found.copies, found.edition, found.untagged) == (4, "1/10", "hold")
    own = resolve_hot(studio, hot, picture={"copies": 1, "edition": "", "untagged": "srgb"})
    assert (own.copies, own.edition, own.untagged) == (1, "", "srgb")


def test_a_name_of_its_own_keeps_two_hot_folders_apart(tmp_path: Path) -> None:
    text = STUDIO.replace('path = "hot/final"', f'path = "{tmp_path}/elsewhere/proof"\nname = "big"')
    hot = opened(tmp_path / "studio", studio=text).hot_folders[1]
    assert (hot.name, hot.path) == ("big", tmp_path / "elsewhere/proof")
    assert hot.prints == tmp_path / "studio/prints/big"


class Imitating(Settings):
    imitate: Path | None = None


def test_a_setting_that_names_a_file_is_below_the_studio_and_absolute_in_the_job(tmp_path: Path) -> None:
    text = SHORELINE.replace('use = "convert"', 'use = "convert"\nimitate = "profiles/matte.icc"')
    offers = {**OFFERS, "convert": offer("convert", Imitating)}
    with pytest.raises(StudioError) as caught:
        load(lay_out(tmp_path, shoreline=text), offers)
    assert str(caught.value) == (
        "recipes/shoreline.toml: step 4 (convert): imitate: profiles/matte.icc is missing; "
        "paths are below the studio, or absolute"
    )
    (tmp_path / "profiles/matte.icc").touch()
    studio = load(tmp_path, offers)
    convert = resolve(studio, recipe="shoreline").step("convert")
    assert convert is not None
    assert convert.values() == {"imitate": f"{tmp_path}/profiles/matte.icc"}
    with pytest.raises(PictureFaults, match=r"convert: imitate: x\.icc is missing"):
        resolve(studio, recipe="shoreline", picture={"convert.imitate": "x.icc"})


def test_a_pictures_own_sheet_goes_over_the_recipes(tmp_path: Path) -> None:
    studio = opened(tmp_path)
    recipe = studio.recipes["shoreline"]
    other = next(name for name in studio.stocks[recipe.stock].sheets if name != recipe.sheet)
    made = resolve(studio, recipe="shoreline", picture={"sheet": other})
    assert made.sheet.name == made.final_sheet.name == other
    with pytest.raises(PictureFaults, match="sheet"):
        resolve(studio, recipe="shoreline", picture={"sheet": "A2"}, picture_name="harbour.toml")
