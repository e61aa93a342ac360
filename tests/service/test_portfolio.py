"""A portfolio's order, numbers, nozzle checks and paper, by the real studio files and made-up rows of the ledger."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from tests.e2e.studio import STOCK, make_studio, picture
from tests.studio.studio_kit import PEARL

from drydown.api import Sheet
from drydown.cli.portfolio import table
from drydown.errors import NotFound
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.states import Question, Stage
from drydown.service.house import House, open_house
from drydown.service.portfolio import Line, Planned, in_order, lines, paper_used, together
from drydown.service.reception import Order
from drydown.studio.sheets import sheet
from drydown.studio.stock import StockFile
from drydown.studio.toml_file import read_toml

SMALL = Order("small")
PRICED = STOCK.replace(
    "[ticket]", 'price_per_sheet = { letter = 0.8, "4x6" = 0.25 }\ncurrency = "EUR"\n[ticket]'
)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(make_studio(tmp_path / "studio", {"stocks/pearl.toml": PRICED}))


def a_row(
    number: int, stage: Stage = Stage.DONE, *, copies: int = 1, name: str = "", reason: str = ""
) -> JobRow:
    return JobRow(
        seq=number,
        id=f"job{number:010d}",
        stage=stage,
        hot_folder="run",
        taken=None,
        taken_shown="",
        original="",
        dropped=None,
        copied=True,
        source_name=name or f"{number}.tif",
        spec_json=json.dumps({"copies": copies}),
        attempt=1,
        interrupted=0,
        strikes=0,
        pauses=0,
        not_before=0.0,
        boot_id="",
        prints=Path("/studio/prints/run"),
        stem="",
        sheet_name=f"{number:02d}_sheet.tif" if stage is Stage.DONE else "",
        sheet_blake3="",
        approved=False,
        question=Question.NONE,
        reason=reason,
        result_json="",
        again_of="",
        collected=0.0,
        created=0.0,
        updated=0.0,
    )


def a_plan(number: int, *, paper: str = "4x6", stock: str = "pearl") -> Planned:
    return Planned(Path(f"{number}.tif"), f"{number:02d}", stock, sheet(paper))


def done(copies: Sequence[int], *, paper: str = "4x6") -> list[Line]:
    plans = [a_plan(number, paper=paper) for number, _ in enumerate(copies, 1)]
    return lines(plans, [a_row(number, copies=count) for number, count in enumerate(copies, 1)])


def stock_file(**changes: object) -> StockFile:
    fields = {"profile": "profiles/pearl.icc", "ppi": 360, "sheets": ("letter", "4x6")} | changes
    return StockFile.model_validate(fields)


# order and numbers


def test_sheets_of_one_paper_come_together_and_keep_their_order() -> None:
    """By hand: the large ones first, because the first picture is one, and within each paper nothing changes places."""
    papers = ["large", "small", "large", "small", "medium", "large"]
    assert together(papers) == [0, 2, 5, 1, 3, 4]
    assert [papers[place] for place in together(papers)] == ["large"] * 3 + ["small"] * 2 + ["medium"]


def test_pictures_are_numbered_as_given_in_front_of_their_names(house: House, tmp_path: Path) -> None:
    files = [picture(tmp_path / name) for name in ("zebra.tif", "harbour at night.jpg", "a.b.png")]
    planned = in_order(house.studio, SMALL, files)
    assert [one.file for one in planned] == files
    assert [one.stem for one in planned] == ["01_zebra", "02_harbour_at_night", "03_a.b"]
    assert {(one.stock, one.sheet.name) for one in planned} == {("pearl", "4x6")}


def test_numbers_are_as_wide_as_the_last_one(house: House, tmp_path: Path) -> None:
    one = picture(tmp_path / "a.tif")
    hundred = in_order(house.studio, SMALL, [one] * 100)
    assert [hundred[place].number for place in (0, 9, 99)] == ["001", "010", "100"]


def test_a_single_picture_gets_no_number(house: House, tmp_path: Path) -> None:
    (only,) = in_order(house.studio, SMALL, [picture(tmp_path / "harbour.tif")])
    assert (only.number, only.stem) == ("", "harbour")


def test_the_sheet_asked_for_is_that_of_every_picture(house: House, tmp_path: Path) -> None:
    files = [picture(tmp_path / "a.tif"), picture(tmp_path / "b.tif")]
    planned = in_order(house.studio, replace(SMALL, sheet="letter"), files)
    assert {one.sheet.name for one in planned} == {"letter"}


def test_a_picture_whose_own_file_is_faulty_keeps_its_place(house: House, tmp_path: Path) -> None:
    """Its job is held later, with every fault; the order of the others must not hang on it."""
    files = [picture(tmp_path / name) for name in ("a.tif", "b.tif")]
    (tmp_path / "a.toml").write_text("[tone-lift]\nlift_l = 2\n")
    assert [one.stem for one in in_order(house.studio, SMALL, files)] == ["01_a", "02_b"]


def test_what_cannot_be_read_or_is_not_there_is_told_before_anything_is_taken(
    house: House, tmp_path: Path
) -> None:
    good = picture(tmp_path / "a.tif")
    with pytest.raises(OSError, match=re.escape(str(tmp_path / "gone.tif"))):
        in_order(house.studio, SMALL, [good, tmp_path / "gone.tif"])
    with pytest.raises(NotFound, match="did you mean small"):
        in_order(house.studio, Order("smal"), [good])
    assert not list((house.places.root / "state").glob("taken/*"))


# nozzle checks


@pytest.mark.parametrize(
    ("copies", "checks"),
    [
        ([1] * 19, []),
        ([1] * 45, [(20, 20), (40, 40)]),
        ([15, 4, 3, 18], [(3, 22), (4, 40)]),
        ([50, 1], [(1, 50)]),
    ],
)
def test_the_nozzles_are_checked_after_every_20_sheets_copies_counted(
    copies: list[int], checks: list[tuple[int, int]]
) -> None:
    """20: common practice, no source."""
    made = done(copies)
    assert [(at, line.nozzle_check) for at, line in enumerate(made, 1) if line.nozzle_check] == checks


def test_what_did_not_come_out_counts_neither_for_nozzles_nor_for_paper() -> None:
    plans = [a_plan(number) for number in range(1, 31)]
    rows = [a_row(number, Stage.FAILED if number % 3 == 0 else Stage.DONE) for number in range(1, 31)]
    made = lines(plans, rows)
    # the 20th sheet that is out is picture 29: of 30 every third was refused
    assert [line.plan.number for line in made if line.nozzle_check] == ["29"]
    (paper,) = paper_used(made, {"pearl": stock_file()})
    assert paper.sheets == 20


# paper


def test_paper_is_counted_by_stock_and_size_with_copies_and_cost() -> None:
    plans = [a_plan(1), a_plan(2), a_plan(3, paper="letter"), a_plan(4, stock="matte")]
    made = lines(plans, [a_row(1, copies=3), a_row(2), a_row(3), a_row(4)])
    priced = stock_file(price_per_sheet={"4x6": 0.25}, currency="EUR")
    used = paper_used(made, {"pearl": priced, "matte": stock_file(price_per_sheet={"4x6": 2.0})})
    assert [(one.stock, one.sheet.name, one.sheets, one.cost, one.currency) for one in used] == [
        ("pearl", "4x6", 4, 1.0, "EUR"),
        ("pearl", "letter", 1, None, "EUR"),
        ("matte", "4x6", 1, 2.0, ""),
    ]


def test_the_price_is_found_by_the_sheet_whatever_name_it_is_asked_by() -> None:
    file = stock_file(sheets=("11x17", "letter"), price_per_sheet={"11x17": 2.4})
    ledger: Sheet = sheet("na_ledger_11x17in")
    assert (file.price(ledger), file.price(sheet("letter"))) == (2.4, None)


@pytest.mark.parametrize(
    ("price", "told"),
    [
        ("{ A4 = 1 }", "A4"),
        ("{ letter = -1 }", "must be at least 0"),
        ('{ letter = "cheap" }', "must be a number"),
        ("2.4", "must be a table"),
    ],
)
def test_a_price_that_is_none_is_a_fault_of_the_stock(price: str, told: str, tmp_path: Path) -> None:
    from drydown.studio.faults import validate

    (tmp_path / "pearl.toml").write_text(f"price_per_sheet = {price}\n{PEARL}")
    data = read_toml(tmp_path / "pearl.toml", "pearl.toml")
    assert isinstance(data, dict)
    model, faults = validate(StockFile, data, file="stocks/pearl.toml")
    assert model is None
    (fault,) = faults
    assert fault.place.startswith("price_per_sheet") and told in fault.reason


# the table


def test_the_table_names_every_picture_its_sheet_or_why_there_is_none_and_the_paper() -> None:
    plans = [a_plan(1), a_plan(2), a_plan(3, paper="letter"), a_plan(4, paper="letter")]
    rows = [
        a_row(1, name="harbour.tif", copies=2),
        a_row(2, Stage.FAILED, name="cut.jpg", reason="It ends before its end mark."),
        a_row(3, name="dune.tif"),
        a_row(4, Stage.HELD, name="mist.png", reason="It has no profile."),
    ]
    made = lines(plans, rows)
    stocks = {"pearl": stock_file(price_per_sheet={"letter": 0.8, "4x6": 0.25}, currency="EUR")}
    assert list(table(made, paper_used(made, stocks), Path("/studio"))) == [
        "pearl, 4x6",
        "  01  harbour.tif  done     01_sheet.tif  (2 copies)",
        "  02  cut.jpg      REFUSED  It ends before its end mark.",
        "pearl, letter: change the paper",
        "  03  dune.tif     done     03_sheet.tif",
        "  04  mist.png     HELD     It has no profile.",
        "",
        "paper          sheets  each      cost",
        "pearl, 4x6          2  0.25 EUR  0.50 EUR",
        "pearl, letter       1  0.80 EUR  0.80 EUR",
        "in all              3            1.30 EUR",
        "",
        "2 done, 1 refused, 1 held. Sheets are in prints/run.",
    ]


def test_the_table_says_nozzle_check_and_nothing_of_money_where_no_price_is_stated() -> None:
    made = done([20, 25])
    stocks = {"pearl": stock_file()}
    assert list(table(made, paper_used(made, stocks), Path("/studio"))) == [
        "pearl, 4x6",
        "  01  1.tif  done     01_sheet.tif  (20 copies)",
        "      nozzle check: 20 sheets printed by then",
        "  02  2.tif  done     02_sheet.tif  (25 copies)",
        "      nozzle check: 45 sheets printed by then, and one after every 20 of these 25 copies",
        "",
        "paper       sheets",
        "pearl, 4x6      45",
        "",
        "2 done. Sheets are in prints/run.",
    ]


def test_paper_without_a_price_is_left_out_of_the_sum_and_said() -> None:
    made = lines([a_plan(1), a_plan(2, paper="letter")], [a_row(1), a_row(2, copies=2)])
    told = list(table(made, paper_used(made, {"pearl": stock_file(price_per_sheet={"4x6": 0.5})}), Path("/")))
    assert told[-6:-2] == [
        "paper          sheets  each        cost",
        "pearl, 4x6          1  0.50        0.50",
        "pearl, letter       2  not stated",
        "in all              3              0.50, without 2 of no stated price",
    ]


def test_a_name_is_never_cut_and_wide_letters_count_as_two_columns() -> None:
    long = "a-very-long-name-that-somebody-gave-to-one-of-the-pictures.tif"
    made = lines([a_plan(1), a_plan(2)], [a_row(1, name=long), a_row(2, name="海.tif")])
    first, second = list(table(made, (), Path("/")))[1:3]
    assert long in first
    # 36 columns for a name: two for the wide letter, four for the suffix
    assert second == "  02  海.tif" + " " * 30 + "  done     02_sheet.tif"


def test_where_nothing_came_out_there_is_no_paper_to_count() -> None:
    made = lines([a_plan(1), a_plan(2)], [a_row(1, Stage.FAILED, reason="No."), a_row(2, Stage.CANCELLED)])
    told = list(table(made, paper_used(made, {"pearl": stock_file()}), Path("/studio")))
    assert told[-2:] == ["", "1 refused, 1 stopped."] and not any("sheets" in line for line in told)
