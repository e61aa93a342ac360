"""The sheet maker `test-strip`: patches that are the final's own pixels, laid, named and recorded."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from tests.steps.sheet_kit import LEDGER, LETTER, a_job, image, pixels_of, scene

import drydown_steps
from drydown.api import (
    Box,
    EdgesMm,
    Field,
    Finished,
    Frame,
    Hold,
    Job,
    Refusal,
    Settings,
    Sheet,
    SizeMm,
    StepOffer,
    step,
)
from drydown.imaging.neutral import neutral_response
from drydown.imaging.strip_control import controls, wedge
from drydown.imaging.tone import laid_down
from drydown.imaging.working import srgb
from drydown.jobs.chain import Chain, Link
from drydown.studio.faults import validate
from drydown_steps import final as final_module
from drydown_steps import test_strip as strip_module

Strip = strip_module.TestStrip
Array = np.ndarray[Any, np.dtype[Any]]
OFFERS: dict[str, Any] = {offer.name: offer for offer in drydown_steps.drydown_steps()}
RECIPE: dict[str, dict[str, Any]] = {
    "flatten": {}, "crop": {}, "resample": {}, "convert": {}, "tone-lift": {"lift_L": 3.0}, "balance": {}, "sharpen": {},
}  # fmt: skip
PPI = 100.0  # enlarges the picture, and gives the lettering enough pixels to be measured
COARSE_PPI = 50.0  # reduces it; enough where no lettering is looked at
EDGES = EdgesMm(3, 3.4, 5, 3.4)
GAP_PX = 16  # 4 mm at 100 ppi are 15.7 pixels


def job_at(ppi: float, scratch: Path, *, final: Sheet = LEDGER) -> Job:
    return a_job(
        sheet=LETTER,
        final_sheet=final,
        stock_ppi=ppi,
        stock_unprintable_mm=EDGES,
        scratch=scratch,
        viewing_mm=1000.0,
    )


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return job_at(COARSE_PPI, tmp_path)


@pytest.fixture
def fine_job(tmp_path: Path) -> Job:
    return job_at(PPI, tmp_path, final=LETTER)


def chain(
    job: Job,
    recipe: Mapping[str, dict[str, Any]] = RECIPE,
    *,
    size: tuple[int, int] = (900, 620),
    seed: int = 3,
    offers: Mapping[str, Any] = OFFERS,
    companions: tuple[Chain, ...] = (),
    icc: bytes | None = None,
) -> Chain:
    """The recipe on a picture of chance, opened afresh each time as a file would be.

    On a coarse sheet it is in the stock's own profile unless said otherwise: to build a conversion takes longer than all else.
    """
    links = tuple(
        Link(name, offers[name], offers[name].settings(**settings), "test 1")
        for name, settings in recipe.items()
    )
    picture = scene(*size, seed=seed)
    own = icc or (srgb() if job.stock.ppi == PPI else job.stock.icc)

    def opened(access: str) -> Frame:
        return Frame(pixels=picture, icc=own, ppi=90.0, source=job.source)

    return Chain(links, job, opened, picture_name=f"picture-{seed}.tif", companions=companions)


def lay(job: Job, render: Chain | None = None, **settings: Any) -> Finished:
    made = strip_module.OFFER.run(render or chain(job), Strip(**settings), job)
    json.dumps(made.record)
    return made


def patch(made: Finished, name: str, region: int = 0) -> tuple[dict[str, Any], Array]:
    """A patch's record and its pixels on the sheet."""
    found = next(one for one in made.record["patches"] if (one["name"], one["region"]) == (name, region))
    left, top, width, height = found["box_px"]
    return found, pixels_of(made.frame.pixels)[top : top + height, left : left + width]


def centre(made: Finished) -> str:
    return str(next(one["name"] for one in made.record["patches"] if one["centre"]))


def final_sheet(job: Job, render: Chain) -> Array:
    """The picture as the sheet maker `final` prints it."""
    own = replace(job, sheet=job.final_sheet)
    made = final_module.OFFER.run(render, final_module.Final(form="picture", slug=False), own)
    return pixels_of(made.frame.pixels)


def cut(whole: Array, box: list[int]) -> Array:
    left, top, width, height = box
    return whole[top : top + height, left : left + width]


# --- the patches are the final's own pixels ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "balance", [{}, {"cyan": 3.0, "magenta": -2.5}, {"cyan": 3.0, "yellow": 4.0, "hold_lightness": True}]
)
def test_the_centre_patch_is_the_final_bit_for_bit(fine_job: Job, balance: dict[str, Any]) -> None:
    recipe = RECIPE | {"balance": balance}
    made = lay(fine_job, chain(fine_job, recipe))
    _, pixels = patch(made, centre(made))
    (region,) = made.record["regions"]
    assert np.array_equal(pixels, cut(final_sheet(fine_job, chain(fine_job, recipe)), region["box_px"]))
    assert np.ptp(pixels) > 5000, "and it shows something"


def test_every_patch_is_the_final_with_the_values_that_the_record_says(fine_job: Job) -> None:
    job = fine_job
    made = lay(job, vary=["balance.magenta", "sharpen.strength"], values=[[-6, 0, 6], [0.4, 0.8]])
    (region,) = made.record["regions"]
    for one in made.record["patches"]:
        _, pixels = patch(made, one["name"])
        whole = pixels_of(chain(job)(one["values"]).pixels)
        assert np.array_equal(pixels, cut(whole, region["box_px"])), one["name"]


def test_the_same_picture_and_settings_make_the_same_strip(job: Job) -> None:
    first, second = (lay(job, chain(job)) for _ in range(2))
    assert np.array_equal(pixels_of(first.frame.pixels), pixels_of(second.frame.pixels))
    assert first.record == second.record


def test_a_render_that_knows_a_small_picture_is_asked_for_it_and_the_strip_stays_the_same(job: Job) -> None:
    class Knowing(Chain):
        asked = 0

        def small(self, long_edge_px: int, /) -> Frame:
            Knowing.asked += 1
            whole = self()
            less = whole.pixels.copy_memory().shrink(4, 4).cast("ushort")
            assert max(less.width, less.height) <= long_edge_px
            return whole.with_(pixels=less, ppi=whole.ppi / 4)

    plain = chain(job)
    knowing = Knowing(plain.links, job, plain._open)
    made, usual = (
        lay(job, knowing, region=[{"x_mm": 100, "y_mm": 90}]),
        lay(job, region=[{"x_mm": 100, "y_mm": 90}]),
    )
    assert Knowing.asked == 1
    assert made.record["patches"] == usual.record["patches"]
    assert np.array_equal(patch(made, "A1")[1], patch(usual, "A1")[1])


class Glow(Settings):
    """Settings of a step that lies about how far it looks."""

    amount: float = Field(0.5, description="How much.")


def glow(frame: Frame, settings: Glow, job: Job, /) -> Frame:
    """Adds the mean of all that it sees."""
    mean = frame.pixels.avg() * settings.amount
    return frame.with_(
        pixels=(frame.pixels + mean).clamp(max=65535).cast("ushort").copy(interpretation="rgb16")
    )


@pytest.mark.parametrize("honest", [True, False])
def test_a_step_that_lies_about_its_reach_is_found_out_and_the_strip_is_right_all_the_same(
    job: Job, honest: bool
) -> None:
    offer: StepOffer[Glow] = step(name="glow", settings=Glow, run=glow, reach=None if honest else 0.0)
    offers = OFFERS | {"glow": offer}
    recipe = {name: RECIPE[name] for name in ("flatten", "crop", "resample", "convert")} | {"glow": {}}
    made = lay(job, chain(job, recipe, offers=offers), vary=["glow.amount"], values=[[0.2, 0.8]])
    warnings = [note.text for note in made.frame.notes if "looks further around" in note.text]
    assert len(warnings) == (0 if honest else 1)
    (region,) = made.record["regions"]
    for one in made.record["patches"]:
        whole = pixels_of(chain(job, recipe, offers=offers)(one["values"]).pixels)
        assert np.array_equal(patch(made, one["name"])[1], cut(whole, region["box_px"]))


# --- series -------------------------------------------------------------------------------------------------------------


def test_nothing_asked_is_a_ring_around_of_13_whose_values_hold_lightness(job: Job) -> None:
    made = lay(job)
    record = made.record
    assert (record["strip"], record["series"]) == (1, "ring-around")
    assert record["vary"] == ["balance.cyan", "balance.magenta", "balance.yellow"]
    assert record["base"] == dict.fromkeys(record["vary"], 0.0)
    assert len(record["patches"]) == 13 and centre(made) == "B3"
    response = neutral_response(job.stock.icc, channels=3)
    found = {tuple(one["values"].values()) for one in record["patches"]}
    for inks in ((0, 10, 0), (-10, 0, 0), (10, -10, 0), (0, 10, -10)):
        assert tuple(round(ink, 1) for ink in laid_down(response, inks)) in found


def test_a_verified_stock_starts_with_smaller_steps(job: Job) -> None:
    def widest(**settings: Any) -> float:
        patches = lay(job, patches=7, **settings).record["patches"]
        return max(float(one["values"]["balance.magenta"]) for one in patches)

    assert widest(verified=True) / widest() == pytest.approx(0.4, abs=0.01)
    assert widest(step_cc=2) / widest() == pytest.approx(0.2, abs=0.01)


def test_the_steps_of_a_recipe_may_have_names_of_their_own(job: Job) -> None:
    offers = OFFERS | {"last-balance": OFFERS["balance"], "curve": OFFERS["tone-lift"]}
    recipe = {name: settings for name, settings in RECIPE.items() if name not in ("balance", "tone-lift")}
    recipe |= {"curve": {"lift_L": 1.0}, "last-balance": {}}
    made = lay(job, chain(job, recipe, offers=offers), balance_step="last-balance", patches=7)
    assert made.record["vary"][0] == "last-balance.cyan"
    exposed = lay(job, chain(job, recipe, offers=offers), series="exposure", tone_step="curve")
    assert exposed.record["base"] == {"curve.lift_L": 1.0, "curve.contrast": 1.0}


def test_a_survey_lays_25_patches_of_colour_and_lift_on_a_letter_sheet(job: Job) -> None:
    made = lay(job, series="survey")
    record = made.record
    assert record["vary"] == ["balance.cyan", "balance.magenta", "balance.yellow", "tone-lift.lift_L"]
    values = [tuple(one["values"].values()) for one in record["patches"]]
    assert len(set(values)) == 25 and tuple(record["base"].values()) in values
    lifts = np.array([one[3] for one in values]).reshape(5, 5).mean(axis=1)
    assert list(lifts) == sorted(lifts), "rows from dark to light"
    assert max(one[3] for one in values) == 12, "what the step takes is the end"
    near = lay(job, series="survey", verified=True).record["patches"]
    reach = [max(abs(one["values"]["balance.cyan"]) for one in strip) for strip in (record["patches"], near)]
    assert 0.3 < reach[1] / reach[0] < 0.5


def test_an_exposure_series_is_a_grid_of_lift_and_contrast(job: Job) -> None:
    made = lay(job, series="exposure")
    values = {tuple(one["values"].values()) for one in made.record["patches"]}
    assert len(values) == 15
    assert {lift for lift, _ in values} == {-1.0, 1.0, 3.0, 5.0, 7.0}
    low, middle, high = sorted({contrast for _, contrast in values})
    assert middle == 1 and low * high == pytest.approx(1, rel=1e-5), "contrasts multiply"


def test_a_setting_left_to_the_stock_is_varied_about_the_stocks(job: Job) -> None:
    job = replace(job, anyway=True)  # the picture is too soft to show sharpening
    made = lay(job, vary="sharpen.strength")
    assert made.record["base"] == {"sharpen.strength": 0.4}
    assert [one["values"]["sharpen.strength"] for one in made.record["patches"]] == [
        0.1,
        0.25,
        0.4,
        0.55,
        0.7,
    ]
    weak = replace(job, stock=replace(job.stock, sharpen_strength=0.2))
    values = [
        one["values"]["sharpen.strength"]
        for one in lay(weak, chain(weak), vary="sharpen.strength").record["patches"]
    ]
    assert values == [0.05, 0.2, 0.35, 0.5], "no patch below the setting's limit"


def test_step_and_count_lie_about_the_recipes_own_value(job: Job) -> None:
    made = lay(job, vary=["tone-lift.lift_L"], step=[1.5], count=[3])
    assert [one["values"]["tone-lift.lift_L"] for one in made.record["patches"]] == [1.5, 3.0, 4.5]
    many = lay(job, vary=["balance.magenta"], step=2, patches=9)
    assert len(many.record["patches"]) == 9


def test_a_sheet_is_filled_with_patches_of_a_given_size(fine_job: Job) -> None:
    made = lay(fine_job, vary=["balance.magenta"], step=2, patch_mm=40)
    boxes = [one["box_px"] for one in made.record["patches"]]
    assert {(width, height) for _, _, width, height in boxes} == {(157, 157)}
    more: dict[str, Any] = {"patch_mm": 40, "vary": ["balance.magenta"], "step": 2, "count": [len(boxes) + 2]}
    with pytest.raises(Refusal, match="do not fit"):
        lay(fine_job, **more)


def test_points_are_laid_as_given(job: Job) -> None:
    points = [
        {"balance.magenta": 4.0, "tone-lift.lift_L": 2.0},
        {"tone-lift.lift_L": 3.0},
        {"balance.magenta": -1.5},
    ]
    made = lay(job, series="ring-around", points=points)
    assert made.record["series"] == "points"
    assert [one["name"] for one in made.record["patches"] if one["centre"]] == [
        made.record["patches"][1]["name"]
    ]
    assert [tuple(one["values"].values()) for one in made.record["patches"]] == [
        (4.0, 2.0),
        (0.0, 3.0),
        (-1.5, 3.0),
    ]


# --- the sheet ----------------------------------------------------------------------------------------------------------


STRIPS: list[dict[str, Any]] = [
    {},
    {"series": "exposure"},
    {"vary": ["sharpen.strength"]},
    {"regions": 2, "vary": ["balance.cyan"], "values": [-5, 0, 5]},
]


@pytest.fixture(scope="module")
def strips(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Finished, Array]]:
    """The whole sheet of each of STRIPS, and its pixels; to be looked at only."""
    job = replace(
        job_at(PPI, tmp_path_factory.mktemp("strips"), final=LETTER), anyway=True
    )  # too soft to show sharpening
    laid = [lay(job, form="sheet", **settings) for settings in STRIPS]
    return [(made, pixels_of(made.frame.pixels)) for made in laid]


@pytest.mark.parametrize("number", range(len(STRIPS)))
def test_every_patch_has_bare_paper_all_round_and_nothing_is_cut(
    strips: list[tuple[Finished, Array]], number: int
) -> None:
    made, sheet = strips[number]
    assert sheet.shape == (1100, 850, 3)
    inked = (sheet != 65535).any(axis=2)
    for one in made.record["patches"]:
        left, top, width, height = one["box_px"]
        assert min(width, height) >= 25 / 25.4 * PPI
        around = inked[top - GAP_PX : top + height + GAP_PX, left - GAP_PX : left + width + GAP_PX].copy()
        around[GAP_PX:-GAP_PX, GAP_PX:-GAP_PX] = False
        assert not around.any(), one["name"]
    rows, columns = np.nonzero(inked)
    px = PPI / 25.4
    assert rows.min() >= EDGES.top * px and columns.min() >= EDGES.left * px
    assert rows.max() < 1100 - EDGES.bottom * px and columns.max() < 850 - EDGES.right * px


def test_below_each_patch_stands_type(strips: list[tuple[Finished, Array]]) -> None:
    made, sheet = strips[0]
    inked = (sheet != 65535).any(axis=2)
    for one in made.record["patches"]:
        left, top, width, height = one["box_px"]
        caption = inked[top + height + GAP_PX : top + height + GAP_PX + 13, left : left + width]
        rows = np.nonzero(caption.any(axis=1))[0]
        assert rows.max() - rows.min() + 1 >= 2.5 / 25.4 * PPI, "capitals of 2.5 mm at least"


def test_names_are_row_letters_and_column_numbers(strips: list[tuple[Finished, Array]]) -> None:
    for one in strips[0][0].record["patches"]:
        assert one["name"] == "ABC"[one["row"]] + str(one["column"] + 1)


def test_the_wedge_and_the_control_patches_are_exact_and_lie_at_the_same_place_on_every_strip(
    fine_job: Job, strips: list[tuple[Finished, Array]]
) -> None:
    side = 32  # 8 mm at 100 ppi, rounded up
    ribbons = [np.array(ribbon.device, np.uint16) for ribbon in (wedge(fine_job.stock.icc), controls())]
    places = set()
    for settings, (_, sheet) in zip(STRIPS, strips, strict=True):
        for device in ribbons:
            wanted = np.repeat(device, side, axis=0)
            found = [
                (row, column)
                for row in range(sheet.shape[0] - 140, sheet.shape[0])
                for column in np.nonzero((sheet[row, : -len(wanted)] == wanted[side]).all(axis=1))[0] - side
                if column >= 0 and (sheet[row, column : column + len(wanted)] == wanted).all()
            ]
            rows = {row for row, _ in found}
            assert len(rows) == side, settings
            places.add((len(device), min(rows), found[0][1]))
    assert len(places) == 2
    bare = pixels_of(lay(fine_job, wedge=False).frame.pixels)
    assert not any((bare == device[-1]).all(axis=2).sum() >= side * side for device in ribbons[:1])


def test_the_lettering_is_neutral(job: Job) -> None:
    from drydown.imaging.icc_exact import device_to_lab
    from drydown.imaging.strip_page import neutral_ink

    L, a, b = device_to_lab(job.stock.icc, np.array([neutral_ink(job.stock.icc)]) / 65535)[0]
    assert np.hypot(a, b) < 0.5 and 30 < L < 40


@pytest.mark.parametrize("sheet", [LETTER, Sheet("A4", SizeMm(210, 297), "iso_a4_210x297mm"), LEDGER])
def test_the_file_is_what_the_driver_addresses(job: Job, sheet: Sheet) -> None:
    own = replace(job, sheet=sheet)
    made = lay(own, chain(own))
    size = EDGES.inside(sheet.size).px(COARSE_PPI)
    assert (made.form, made.bits, (made.frame.width, made.frame.height)) == ("printable", 16, size)
    plain = replace(own, stock=replace(own.stock, unprintable_mm=None))
    whole = lay(plain, chain(plain))
    assert (whole.form, (whole.frame.width, whole.frame.height)) == ("sheet", sheet.size.px(COARSE_PPI))
    with pytest.raises(Refusal, match="does not state its unprintable edges"):
        lay(plain, chain(plain), form="printable")


def test_a_half_stays_in_the_leading_half_and_the_second_says_that_the_sheet_is_turned(job: Job) -> None:
    again = replace(job, stock=replace(job.stock, refeed=True))
    made = lay(again, chain(again), part="first-half")
    inked = (pixels_of(made.frame.pixels) != 65535).any(axis=(1, 2))
    assert np.nonzero(inked)[0].max() < made.frame.height / 2
    second = lay(again, chain(again), part="second-half")
    inked = (pixels_of(second.frame.pixels) != 65535).any(axis=(1, 2))
    assert np.nonzero(inked)[0].max() < second.frame.height / 2, "laid in the leading half once more"
    assert [made.record["part"], second.record["part"]] == ["first-half", "second-half"]
    assert any("blank end goes in first" in note.text for note in second.frame.notes)
    quarter = lay(again, chain(again), part="quarter-2", vary=["balance.cyan"], step=3, count=[3])
    columns = (pixels_of(quarter.frame.pixels) != 65535).any(axis=(0, 2))
    assert np.nonzero(columns)[0].min() > quarter.frame.width / 2


def test_a_ring_around_is_as_large_as_the_sheet_lets_it_be(job: Job) -> None:
    small = replace(job, sheet=Sheet("5x7", SizeMm(127, 178), "na_5x7_5x7in"))
    assert len(lay(small, chain(small)).record["patches"]) == 7
    assert len(lay(job, chain(job)).record["patches"]) == 13


def test_a_strip_of_another_quality_is_recorded_as_such_and_says_it(job: Job) -> None:
    draft = replace(job, stock=replace(job.stock, strip_quality="draft"))
    made, usual = lay(draft, chain(draft)), lay(job)
    assert (made.record["other_quality"], usual.record["other_quality"]) == ("draft", "")
    assert not np.array_equal(pixels_of(made.frame.pixels), pixels_of(usual.frame.pixels))


# --- regions, groups, samples --------------------------------------------------------------------------------------------


def test_a_region_lies_where_it_is_asked_for(job: Job) -> None:
    made = lay(job, region=[{"x_mm": 120, "y_mm": 100}], patch_mm=30, patches=7)
    (region,) = made.record["regions"]
    assert (region["x_mm"], region["y_mm"]) == (pytest.approx(120, abs=0.2), pytest.approx(100, abs=0.2))
    assert region["chosen"] == "given"
    assert region["width_mm"] == pytest.approx(30, abs=0.2)
    left, top, width, height = region["box_px"]
    assert (left + width / 2, top + height / 2) == (
        pytest.approx(120 / 25.4 * COARSE_PPI, abs=1),
        pytest.approx(100 / 25.4 * COARSE_PPI, abs=1),
    )


def test_two_regions_share_each_cell_and_its_name(job: Job) -> None:
    given = [{"x_mm": 80, "y_mm": 60}, {"x_mm": 220, "y_mm": 140}]
    made = lay(job, region=given, vary=["balance.cyan"], values=[-5, 0, 5])
    assert len(made.record["regions"]) == 2 and len(made.record["patches"]) == 6
    whole = final_sheet(job, chain(job))
    for index, region in enumerate(made.record["regions"]):
        _, pixels = patch(made, centre(made), index)
        assert np.array_equal(pixels, cut(whole, region["box_px"]))
    first, second = (patch(made, "A1", index)[0] for index in (0, 1))
    assert first["values"] == second["values"] and first["box_px"] != second["box_px"]


def test_two_regions_by_the_rule_are_a_light_one_and_a_shadow(job: Job) -> None:
    made = lay(job, regions=2, vary=["balance.cyan"], values=[-5, 0, 5])
    light, shadow = (patch(made, centre(made), index)[1].mean() for index in (0, 1))
    assert light > shadow
    assert [region["chosen"] for region in made.record["regions"]] == ["by rule", "by rule"]


def test_a_group_proof_has_a_row_for_each_picture_and_a_column_for_each_variation(job: Job) -> None:
    others = (chain(job, seed=8, size=(620, 900)), chain(job, RECIPE | {"balance": {"magenta": 2.0}}, seed=9))
    made = lay(job, chain(job, companions=others), region=[{"x_mm": 60, "y_mm": 50, "picture": 1}])
    record = made.record
    assert len(record["patches"]) == 3 * 7
    assert {(one["picture"], one["row"]) for one in record["patches"]} == {(0, 0), (1, 1), (2, 2)}
    assert [base["balance.magenta"] for base in record["bases"]] == [0.0, 0.0, 2.0]
    assert [region["chosen"] for region in record["regions"]] == ["by rule", "given", "by rule"]
    for picture, render in enumerate((chain(job), *others)):
        name = next(one["name"] for one in record["patches"] if one["picture"] == picture and one["centre"])
        box = record["regions"][picture]["box_px"]
        again = Chain(render.links, job, render._open)
        assert np.array_equal(patch(made, name)[1], cut(pixels_of(again().pixels), box)), name


def test_a_group_proof_of_values_begins_with_each_picture_as_it_stands(job: Job) -> None:
    others = (chain(job, RECIPE | {"tone-lift": {"lift_L": 1.0}}, seed=8),)
    made = lay(job, chain(job, companions=others), vary=["tone-lift.lift_L"], values=[1, 2, 3])
    rows = [
        [one["values"]["tone-lift.lift_L"] for one in made.record["patches"] if one["picture"] == n]
        for n in (0, 1)
    ]
    assert rows == [[3.0, 1.0, 2.0, 3.0], [1.0, 1.0, 2.0, 3.0]]
    assert [one["name"] for one in made.record["patches"] if one["centre"]] == ["A1", "B1"]


def test_samples_are_the_regions_device_values_before_tone_and_balance(job: Job) -> None:
    points = [{"tone-lift.lift_L": 3.0, "balance.magenta": 4.0, "tone-lift.contrast": 1.1}]
    made = lay(job, chain(job, RECIPE | {"balance": {"magenta": 2.0}}), points=points)
    plain = {"tone-lift.lift_L": 0.0, "tone-lift.contrast": 1.0, "balance.magenta": 0.0}
    left, top, width, height = made.record["regions"][0]["box_px"]
    region = pixels_of(chain(job)(plain, region=Box(left, top, width, height)).pixels)
    colours = {tuple(colour) for colour in region.reshape(-1, 3).tolist()}
    assert len(made.record["samples"]) == 400
    assert all(tuple(sample) in colours for sample in made.record["samples"])


# --- what cannot be laid -------------------------------------------------------------------------------------------------


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"vary": ["dodge.amount"], "values": [1, 2]}, "no step 'dodge', so 'dodge.amount' cannot be varied; it has flatten"),
    ({"vary": ["balance.magneta"], "values": [1, 2]}, "'balance' has no setting 'magneta'; it has cyan, magenta"),
    ({"vary": ["balance.hold_lightness"], "values": [0, 1]}, "it is false, not a number"),
    ({"vary": ["crop.fit"], "values": [0, 1]}, "it is 'fill', not a number"),
    ({"vary": ["sharpen.radius_mm"]}, "not known how far|leaves 'sharpen.radius_mm' open"),
    ({"vary": ["crop.focus_x"]}, "not known how far 'crop.focus_x' is to be stepped"),
    ({"patches": 12}, "has 7, 13 or 19 patches, and patches = 12 was asked for"),
    ({"patches": 19, "patch_mm": 60}, r"19 patches of 60 mm do not fit into .*; 6 do, in 2 rows of 3|; \d+ do"),
    ({"vary": ["balance.cyan"], "step": 1, "count": [51]}, r"51 patches of at least 25 mm do not fit .*; \d+ do"),
    ({"region": [{"x_mm": 390, "y_mm": 100}]}, "reaches beyond the picture, which is 406.4 x 254.0 mm"),
    ({"region": [{"x_mm": 90, "y_mm": 90}] * 3}, "3 regions of a picture were asked for"),
    ({"region": [{"x_mm": 90, "y_mm": 90, "picture": 2}]}, "A region is given for picture 2"),
    ({"part": "first-half"}, "does not say that it may. Set refeed = true"),
]  # fmt: skip


@pytest.mark.parametrize(("settings", "says"), REFUSED)
def test_what_cannot_be_laid_is_refused_in_a_sentence(job: Job, settings: dict[str, Any], says: str) -> None:
    with pytest.raises(Refusal, match=says):
        lay(job, **settings)


@pytest.mark.parametrize(
    ("without", "says"),
    [("convert", "Put convert into the recipe"), ("resample", "Put resample into the recipe")],
)
def test_a_picture_that_is_not_ready_for_paper_is_refused(job: Job, without: str, says: str) -> None:
    recipe = {name: settings for name, settings in RECIPE.items() if name != without}
    with pytest.raises(Refusal, match=says):
        lay(job, chain(job, recipe, icc=srgb()), vary=["sharpen.strength"])


def test_a_picture_with_transparency_is_refused(job: Job) -> None:
    links = tuple(
        Link(name, OFFERS[name], OFFERS[name].settings(), "test 1") for name in ("crop", "resample")
    )
    alpha = image(np.full((620, 900, 4), 40000, np.uint16))
    see_through = Chain(
        links, job, lambda access: Frame(pixels=alpha, icc=job.stock.icc, ppi=90.0, source=job.source)
    )
    with pytest.raises(Refusal, match="Put flatten into the recipe"):
        lay(job, see_through, vary=["resample.min_source_ppi"], values=[50, 60])


SLIPS: list[tuple[dict[str, Any], str]] = [
    ({"series": "exposure", "vary": ["balance.cyan"]}, "asks for two strips at once"),
    ({"series": "vary"}, "needs vary"),
    ({"series": "points"}, "needs points"),
    ({"vary": ["magenta"]}, "'magenta' names no setting; write STEP.setting"),
    ({"vary": ["a.x", "a.x"]}, "vary names a.x twice"),
    ({"vary": ["a.x", "b.x", "c.x"]}, "must have at most 2 entries"),
    ({"vary": ["a.x"], "values": [[1, 2]], "step": [1]}, "not both"),
    ({"vary": ["a.x", "a.y"], "values": [[1, 2]]}, "values has 1 entries for 2 settings"),
    ({"vary": ["a.x"], "values": [[1, 1]]}, "different from each other"),
    ({"vary": ["a.x"], "count": [4]}, "count must be odd"),
    ({"vary": ["a.x"], "step": [0]}, "step must not be 0"),
    ({"patch_mm": 20}, "at least 25"),
    ({"serie": "exposure"}, "no such key"),
    ({"region": [{"x_mm": 3}]}, "y_mm"),
]


@pytest.mark.parametrize(("written", "says"), SLIPS)
def test_a_slip_in_the_recipe_is_told_before_any_picture(written: dict[str, Any], says: str) -> None:
    settings, faults = validate(Strip, written, file="recipes/shoreline.toml", place="[test-strip]")
    assert settings is None
    assert says in "; ".join(str(fault) for fault in faults)


WRITTEN: list[tuple[dict[str, Any], Callable[[Any], bool]]] = [
    ({"vary": ["balance.magenta", "balance.cyan"]}, lambda s: s.kind == "vary"),
    ({"vary": ["sharpen.strength"], "values": [0.2, 0.4]}, lambda s: s.values == ((0.2, 0.4),)),
    ({"vary": ["a.x", "b.y"], "values": [[1, 2], [3, 4]]}, lambda s: s.values == ((1, 2), (3, 4))),
    ({"vary": ["a.x"], "step": 2, "count": 5}, lambda s: (s.step, s.count) == ((2,), (5,))),
    ({"points": [{"a.x": 1, "b.y": 2.5}]}, lambda s: s.kind == "points"),
    ({"region": [{"x_mm": 120, "y_mm": 80}]}, lambda s: s.region[0].x_mm == 120),
    ({}, lambda s: s.kind == "ring-around"),
]


@pytest.mark.parametrize(("written", "holds"), WRITTEN)
def test_settings_are_read_as_a_recipe_writes_them_and_survive_the_record(
    written: dict[str, Any], holds: Callable[[Any], bool]
) -> None:
    settings, faults = validate(Strip, written, file="recipes/shoreline.toml")
    assert not faults and holds(settings)
    assert Strip.model_validate(settings.model_dump(mode="json")) == settings  # type: ignore[union-attr]


def test_every_setting_is_described() -> None:
    for model in (Strip, strip_module.Region):
        assert all(field.description for field in model.model_fields.values())


def test_a_value_beyond_its_limit_is_not_printed(job: Job) -> None:
    with pytest.raises(Exception, match="magenta"):
        lay(job, vary=["balance.magenta"], values=[0, 90])
    with pytest.raises(ValidationError):
        OFFERS["balance"].settings(magenta=90)


class _Border(Settings):
    """A step that changes the picture's border alone."""

    depth: float = Field(default=0.1, ge=0, le=1, description="How much darker.")


def _darker_border(frame: Frame, settings: _Border, job: Job, /) -> Frame:
    inner = frame.pixels.crop(20, 20, frame.width - 40, frame.height - 40)
    darker = (frame.pixels * (1 - settings.depth)).cast("ushort")
    return frame.with_(pixels=darker.insert(inner, 20, 20))


def test_patches_that_show_nothing_of_what_varies_hold_the_strip_until_it_looks_elsewhere(job: Job) -> None:
    offers = OFFERS | {"border": step(name="border", settings=_Border, run=_darker_border, reach=None)}
    asked = {"vary": ["border.depth"], "values": [[0.0, 0.1, 0.2]]}
    render = chain(job, RECIPE | {"border": {}}, offers=offers)
    with pytest.raises(
        Hold, match=r"All 3 patches look the same.*border\.depth.*Name another place with region"
    ):
        lay(job, render, **asked)
    at_the_edge = lay(job, render, **asked, region=[{"x_mm": 45.0, "y_mm": 45.0}])
    first, *_, last = (one["name"] for one in at_the_edge.record["patches"])
    assert not np.array_equal(patch(at_the_edge, first)[1], patch(at_the_edge, last)[1])
    anyway = replace(job, anyway=True)
    assert len(lay(anyway, render, **asked).record["patches"]) == 3
