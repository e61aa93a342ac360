"""The ticket: everything that a person must do, in the order of the hands, and nothing that is not known."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from tests.steps.sheet_kit import flat, frame_of

from drydown.api import EdgesMm, Finished, SizeMm
from drydown.jobs.spec import JobSpec, PluginRef, SheetSpec, StepSpec, StockSpec
from drydown.jobs.ticket import COLUMNS, Ticket, ticket

STATED = {
    "printer": "the wide one by the window",
    "media_type": "photographic-satin",
    "media_name_in_driver": "Premium Satin 260",
    "size_name_in_driver": "US B (11 x 17 in)",
    "quality": "high",
    "resolution": "1440 x 720 dpi",
    "direction": "one way",
    "black_ink": "photo",
    "platen": "wide",
    "printable_side": "the coated side, towards you",
    "media_source": "rear",
}


def a_spec(
    *, stated: dict[str, str] | None = None, stock: dict[str, Any] | None = None, **changes: Any
) -> JobSpec:
    plugin = PluginRef(module="drydown_steps", offered_by="drydown 0.1.0", blake3="0" * 64)
    sheet = SheetSpec(name="11x17", size=SizeMm(279.4, 431.8), pwg="na_ledger_11x17in")
    of_stock = {
        "name": "pearl",
        "profile": Path("pearl.icc"),
        "profile_blake3": "0" * 64,
        "ppi": 360,
        "intent": "relative",
        "black_point_compensation": True,
        "ticket": STATED if stated is None else stated,
        "dry_minutes": 30,
        "cure_hours": 24,
        "lot": "0412",
    } | (stock or {})
    data = {
        "job": "k7f3a2c9",
        "hot_folder": "final",
        "prints": Path("prints"),
        "source": Path("shore.tif"),
        "source_name": "shore.tif",
        "stem": "shore",
        "recipe": "shoreline",
        "steps": (),
        "maker": StepSpec(name="final", use="final", settings={}, plugin=plugin),
        "stock": StockSpec.model_validate(of_stock),
        "sheet": sheet,
        "final_sheet": sheet,
        "margins_mm": EdgesMm(12.7, 12.7, 12.7, 12.7),
        "viewing_mm": 400,
        "made": "2026-05-14T10:31:07+02:00",
    } | changes
    return JobSpec.model_validate(data)


def a_ticket(spec: JobSpec | None = None, *, leaf: Any = "single", **finished: Any) -> Ticket:
    made = Finished(frame=frame_of(flat(6120, 3960), ppi=360), **{"turned": True, **finished})
    return ticket(spec or a_spec(), made, leaf=leaf)


def line(made: Ticket, key: str) -> dict[str, Any]:
    (found,) = [entry for entry in made.data["lines"] if entry["key"] == key]
    return dict(found)


def test_the_lines_follow_the_order_of_the_hands() -> None:
    keys = [entry["key"] for entry in a_ticket().data["lines"]]
    order = ["nozzle_check", "head_alignment", "stock", "printable_side", "media_source", "platen", "feed"]
    order += ["size", "size_name_in_driver", "orientation", "media_type", "media_name_in_driver", "quality"]
    order += [
        "black_ink",
        "scaling",
        "borderless",
        "placement",
        "driver_colour",
        "copies",
        "dry_minutes",
        "cure_hours",
    ]
    assert [key for key in keys if key in order] == order


def test_names_are_given_word_for_word_as_in_the_driver_and_by_the_standard() -> None:
    text = a_ticket().text
    assert '[ ] Paper size word for word: "US B (11 x 17 in)"' in text
    assert "[ ] Paper size by its PWG name: na_ledger_11x17in" in text
    assert '[ ] Media type word for word: "Premium Satin 260"' in text
    assert "[ ] Media type by its PWG name: photographic-satin" in text


@pytest.mark.parametrize("key", [key for key in STATED if key != "printer"])
def test_what_the_stock_does_not_state_shows_as_not_stated(key: str) -> None:
    made = a_ticket(a_spec(stated={k: v for k, v in STATED.items() if k != key}))
    assert line(made, key)["value"] == "NOT STATED"
    assert made.data["not_stated"] == [key]
    assert "NOT STATED" in made.text


def test_a_stock_that_states_nothing_still_has_a_whole_ticket() -> None:
    made = a_ticket(a_spec(stated={}, stock={"dry_minutes": None, "cure_hours": None, "lot": ""}))
    missing = {*STATED, "dry_minutes", "cure_hours", "stock"}
    assert set(made.data["not_stated"]) == missing
    assert "write it into [ticket] of stock 'pearl'" in made.text


def test_a_full_stock_leaves_nothing_open() -> None:
    made = a_ticket()
    assert made.data["not_stated"] == []
    assert "NOT STATED" not in made.text


def test_scaling_borderless_and_colour_are_off_whether_stated_or_not() -> None:
    made = a_ticket(a_spec(stated={}))
    assert line(made, "scaling")["value"] == "none (100 %)"
    assert line(made, "borderless")["value"] == "off"
    assert line(made, "driver_colour")["value"] == "off"
    assert "exactly one place" in line(made, "driver_colour")["caution"]


def test_the_file_is_described_in_mm_and_pixels() -> None:
    made = a_ticket()
    assert made.data["file"] == {
        "form": "sheet",
        "holds": "the whole sheet",
        "size_mm": [431.8, 279.4],
        "size_px": [6120, 3960],
        "ppi": 360,
        "bits": 16,
        "turned": True,
        "binding_side": "",
    }
    assert "6120 x 3960 pixels at 360 ppi, 16 bits" in made.text
    assert "431.8 x 279.4 mm" in made.text


@pytest.mark.parametrize(
    ("form", "said"),
    [("sheet", "do not fit it to the printable area"), ("printable", "fills the printable area exactly")],
)
def test_the_placement_follows_the_form_of_the_file(form: str, said: str) -> None:
    assert said in line(a_ticket(form=form), "placement")["value"]


def test_a_picture_without_margins_is_placed_by_hand_at_its_distance() -> None:
    made = a_ticket(form="picture", record={"picture_mm": [25.4, 12.7, 393.7, 254.0]})
    assert (
        line(made, "placement")["value"]
        == "by hand: 25.4 mm from the left and 12.7 mm from the top edge of the sheet as seen"
    )


@pytest.mark.parametrize(
    ("turned", "lying", "first"), [(True, "landscape", "left edge"), (False, "portrait", "top")]
)
def test_it_says_how_the_sheet_lies_and_which_edge_goes_in_first(
    turned: bool, lying: str, first: str
) -> None:
    made = a_ticket(turned=turned)
    assert line(made, "orientation")["value"] == lying
    assert line(made, "feed")["value"] == f"the picture's {first}"


def test_what_else_the_stock_states_is_shown_as_written() -> None:
    made = a_ticket(a_spec(stated={**STATED, "ink_density": "-5 %"}))
    assert "[ ] Ink density: -5 %" in made.text


def test_copies_and_edition_are_on_it() -> None:
    made = a_ticket(a_spec(copies=3, edition="3/25"))
    assert "[ ] Copies: 3" in made.text
    assert "[ ] Edition: 3/25" in made.text
    assert (made.data["copies"], made.data["edition"]) == (3, "3/25")


def test_the_binding_edge_is_the_widest_margin() -> None:
    made = a_ticket(a_spec(margins_mm=EdgesMm(12.7, 12.7, 12.7, 25.4)))
    assert "25.4 mm at the picture's left" in made.text
    assert made.data["file"]["binding_side"] == "left"


@pytest.mark.parametrize(
    ("turned", "margins", "edge"),
    [
        (False, EdgesMm(12, 12, 12, 25), "long"),
        (True, EdgesMm(12, 25, 12, 12), "short"),
        (False, EdgesMm(25, 12, 12, 12), "short"),
        (True, EdgesMm(12, 12, 25, 12), "long"),
    ],
)
def test_the_second_side_is_turned_about_its_binding_edge(turned: bool, margins: EdgesMm, edge: str) -> None:
    made = a_ticket(a_spec(margins_mm=margins), leaf="verso", turned=turned)
    assert line(made, "turn_over")["value"] == f"over its {edge} edge"
    assert "first side must be dry" in line(made, "turn_over")["caution"]
    assert "turn_over" not in [entry["key"] for entry in a_ticket().data["lines"]]


@pytest.mark.parametrize(
    "stated", [STATED, {}, {**STATED, "media_name_in_driver": "a name as long as can be " * 8}]
)
def test_no_line_is_longer_than_72_columns(stated: dict[str, str]) -> None:
    text = a_ticket(a_spec(stated=stated, source_name="a picture with a long name " * 6 + ".tif")).text
    assert max(len(row) for row in text.splitlines()) <= COLUMNS
    assert text.endswith("\n")


def test_every_task_has_a_box_to_tick() -> None:
    made = a_ticket()
    assert made.text.count("[ ] ") == len(made.data["lines"])


def test_cautions_stand_where_they_matter() -> None:
    text = a_ticket().text
    assert "! a curled or dented sheet strikes the head" in text
    assert text.index("Sheet flat") < text.index("! a curled") < text.index("Printable side")


def test_the_json_is_the_same_in_a_versioned_form() -> None:
    made = a_ticket()
    assert json.loads(made.json()) == made.data
    assert made.data["ticket"] == 1
    assert made.data["job"] == "k7f3a2c9"


def test_a_strip_is_not_bound_and_says_when_its_quality_is_another() -> None:
    bound = a_spec(stock={"strip_quality": "draft"}, margins_mm=EdgesMm(12.7, 12.7, 12.7, 25.4))
    assert "Binding" in a_ticket(bound).text
    text = a_ticket(bound, record={"strip": 1, "other_quality": "draft"}).text
    assert "Binding" not in text
    assert "Quality: draft" in text and "not colour" in text


@pytest.mark.parametrize(
    ("part", "says"), [("first-half", "the end with the strip first"), ("quarter-3", "the blank end first")]
)
def test_a_part_of_a_sheet_says_which_end_goes_in(part: str, says: str) -> None:
    text = " ".join(a_ticket(record={"strip": 1, "part": part}).text.split())
    assert says in text and "never feed a wet sheet again" in text
