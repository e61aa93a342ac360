"""The same picture dropped again: a person is asked once, or it is printed, or refused, as the hot folder says; nothing is ever deleted."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from jobs_kit import Clock, World, a_spec, an_attempt, local

from drydown.api import SizeMm
from drydown.jobs import ledger_file, names
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Arrival, Ledger, StagedSheet
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.repeats import identity_of
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import Question, Stage

ONE, TWO, THREE = "first111", "second22", "third333"
HARBOUR = b"the harbour at dawn"
HOUR_S = 3600.0


@dataclass
class Shop(World):
    """A studio whose hot folder looks a day back for repeats. `plan`: changes of the plans made from now on."""

    plan: dict[str, Any] = field(default_factory=dict)

    def spec(self, source: Path, job: str) -> JobSpec:
        return super().spec(source, job).model_copy(update={"repeat_hours": 24.0, **self.plan})

    def drop(self, desk: Desk, job: str, name: str = "harbour.jpg", data: bytes = HARBOUR) -> JobRow:
        """Drop a picture, and work until it rests."""
        self.arrive(desk, job, name, data)
        self.run(desk)
        return desk.publisher.ledger.job(job)

    def sheets(self) -> list[str]:
        return sorted(path.name for path in self.prints.glob("*__*.tif"))

    def reason(self, job: str, name: str = "harbour.jpg") -> str:
        return (self.places.originals("held") / f"{Path(name).stem}__{job}.reason.txt").read_text("utf-8")


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path / "studio")


@pytest.fixture
def desk(shop: Shop) -> Desk:
    return shop.open()


def restarted(shop: Shop, desk: Desk) -> Desk:
    desk.publisher.ledger.close()
    return shop.open()


def test_of_three_drops_of_one_picture_renamed_or_not_one_is_printed_and_two_are_asked_about(
    shop: Shop, desk: Desk
) -> None:
    assert shop.drop(desk, ONE).stage is Stage.DONE
    for job, name in ((TWO, "harbour.jpg"), (THREE, "copy of harbour.jpg")):
        shop.clock.now += HOUR_S
        row = shop.drop(desk, job, name)
        assert (row.stage, row.question) == (Stage.HELD, Question.REPEATED)
        assert f"job {ONE}" in row.reason and f"prints/final/picture__{ONE}.tif" in row.reason
        text = shop.reason(job, name)
        assert f"drydown approve {job}" in text and f"drydown cancel {job}" in text
    assert shop.sheets() == [f"picture__{ONE}.tif"]
    assert len(shop.originals()) == 3


def test_a_repeat_that_is_approved_is_printed_as_it_is_and_one_that_is_cancelled_keeps_its_original(
    shop: Shop, desk: Desk
) -> None:
    for job in (ONE, TWO, THREE):
        shop.drop(desk, job)
    approved = desk.approve(TWO)
    assert (approved.stage, approved.attempt) == (Stage.DONE, 1)
    assert desk.cancel(THREE).stage is Stage.CANCELLED
    assert shop.sheets() == sorted([f"picture__{ONE}.tif", f"picture__{TWO}.tif"])
    assert (shop.places.originals("refused") / f"harbour__{THREE}.jpg").read_bytes() == HARBOUR
    assert not list(shop.places.originals("held").iterdir())
    assert not list(shop.prints.glob(f"*{THREE}*"))


def test_an_approved_repeat_whose_sheet_was_touched_is_rendered_again_and_asked_about_no_more(
    shop: Shop, desk: Desk
) -> None:
    shop.drop(desk, ONE)
    shop.drop(desk, TWO)
    (shop.prints / names.stage_name(TWO)).write_bytes(b"sheet that somebody touched")
    assert desk.approve(TWO).stage is Stage.CLAIMED
    shop.run(desk)
    row = desk.publisher.ledger.job(TWO)
    assert (row.stage, row.attempt) == (Stage.DONE, 2)


def test_a_repeat_that_is_rendered_anew_without_any_change_is_asked_about_again(
    shop: Shop, desk: Desk
) -> None:
    shop.drop(desk, ONE)
    shop.drop(desk, TWO)
    desk.release(TWO)
    shop.run(desk)
    assert desk.publisher.ledger.job(TWO).question is Question.REPEATED


def test_two_drops_that_are_ready_together_do_not_wait_for_each_other(shop: Shop, desk: Desk) -> None:
    ledger = desk.publisher.ledger
    for job in (ONE, TWO):
        shop.arrive(desk, job, data=HARBOUR)
    for job in (TWO, ONE):  # the later one is ready first
        spec, number = ledger.job(job).spec, ledger.start(job)
        assert spec is not None
        result, folder = an_attempt(spec, number, shop.places.work)
        desk.publisher.stage(job, result, folder)
    for job in (TWO, ONE):
        desk.go_on(job)
    assert ledger.job(ONE).stage is Stage.DONE
    assert ledger.job(TWO).question is Question.REPEATED


def test_the_later_drop_is_printed_where_it_is_out_before_the_earlier_one_is_rendered(
    shop: Shop, desk: Desk
) -> None:
    ledger = desk.publisher.ledger
    for job in (ONE, TWO):
        shop.arrive(desk, job, data=HARBOUR)
    spec, number = ledger.job(TWO).spec, ledger.start(TWO)
    assert spec is not None
    result, folder = an_attempt(spec, number, shop.places.work)
    assert desk.conclude(TWO, result, folder).stage is Stage.DONE
    shop.run(desk)
    row = ledger.job(ONE)
    assert row.question is Question.REPEATED and f"job {TWO}" in row.reason


def test_a_drop_is_asked_about_while_the_first_of_its_kind_still_waits_for_a_person(
    shop: Shop, desk: Desk
) -> None:
    shop.plan = {"approve": True}
    shop.drop(desk, ONE)
    shop.plan = {}
    row = shop.drop(desk, TWO)
    assert row.question is Question.REPEATED and "waits here already" in row.reason
    desk.cancel(ONE)
    assert f"job {TWO}" in shop.drop(desk, THREE).reason


def test_where_a_person_looks_at_every_preview_the_repeat_is_told_there_and_asked_once(
    shop: Shop, desk: Desk
) -> None:
    shop.plan = {"approve": True}
    shop.drop(desk, ONE)
    desk.approve(ONE)
    row = shop.drop(desk, TWO)
    assert row.question is Question.APPROVE
    assert f"job {ONE}" in row.reason and "Look at the crop" in row.reason
    assert desk.approve(TWO).stage is Stage.DONE


def test_a_picture_of_other_bytes_or_another_hot_folder_is_no_repeat(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    assert shop.drop(desk, TWO, data=HARBOUR + b".").stage is Stage.DONE
    shop.plan = {"hot_folder": "small"}
    assert shop.drop(desk, THREE).stage is Stage.DONE


# what the hot folder says


def test_a_hot_folder_that_prints_repeats_asks_nothing(shop: Shop, desk: Desk) -> None:
    shop.plan = {"repeated": "print"}
    assert [shop.drop(desk, job).stage for job in (ONE, TWO, THREE)] == [Stage.DONE] * 3


def test_a_hot_folder_that_refuses_repeats_ends_them_and_keeps_their_originals(
    shop: Shop, desk: Desk
) -> None:
    shop.plan = {"repeated": "refuse"}
    shop.drop(desk, ONE)
    row = shop.drop(desk, TWO, "again.jpg")
    assert (row.stage, row.state) == (Stage.FAILED, "aborted")
    refused = shop.places.originals("refused")
    assert (refused / f"again__{TWO}.jpg").read_bytes() == HARBOUR
    reason = (refused / f"again__{TWO}.reason.txt").read_text("utf-8")
    assert f"job {ONE}" in reason and f"drydown retry {TWO}" in reason
    assert shop.sheets() == [f"picture__{ONE}.tif"] and not list(shop.prints.glob(f"*{TWO}*"))


def proof(spec: JobSpec, number: int, work: Path) -> tuple[AttemptResult, Path]:
    """An attempt at a sheet of patches."""
    result, folder = an_attempt(spec, number, work)
    return result.model_copy(update={"record": {"maker": {"patches": [{"number": 1}]}}}), folder


@pytest.mark.parametrize(("policy", "stage"), [(None, Stage.DONE), ("hold", Stage.HELD)])
def test_a_sheet_of_patches_is_printed_again_unless_its_hot_folder_says_otherwise(
    shop: Shop, desk: Desk, policy: str | None, stage: Stage
) -> None:
    shop.attempt, shop.plan = proof, {"repeated": policy}
    assert shop.drop(desk, ONE).stage is Stage.DONE
    assert shop.drop(desk, TWO).stage is stage


@pytest.mark.parametrize("maker", [5, "patches", ["patches"], None])
def test_a_sheet_makers_record_that_is_no_table_is_no_proof(shop: Shop, desk: Desk, maker: Any) -> None:
    def odd(spec: JobSpec, number: int, work: Path) -> tuple[AttemptResult, Path]:
        result, folder = an_attempt(spec, number, work)
        return result.model_copy(update={"record": {"maker": maker}}), folder

    shop.attempt = odd
    assert shop.drop(desk, ONE).stage is Stage.DONE
    assert shop.drop(desk, TWO).question is Question.REPEATED


@pytest.mark.parametrize(("hours_later", "stage"), [(23.9, Stage.HELD), (24.1, Stage.DONE)])
def test_what_was_dropped_before_the_window_is_not_looked_at(
    shop: Shop, desk: Desk, hours_later: float, stage: Stage
) -> None:
    shop.clock.now = shop.drop(desk, ONE).created + hours_later * HOUR_S
    assert shop.drop(desk, TWO).stage is stage


def test_a_window_of_no_hours_asks_never(shop: Shop, desk: Desk) -> None:
    shop.plan = {"repeat_hours": 0.0, "repeated": "refuse"}
    assert [shop.drop(desk, job).stage for job in (ONE, TWO)] == [Stage.DONE] * 2


# which print it is


def changed(spec: JobSpec, **changes: Any) -> dict[str, Any]:
    return spec.model_copy(update=changes).model_dump(mode="json")


def spec_of(job: str = ONE) -> JobSpec:
    return a_spec(job, prints=Path("/studio/prints/final"), source=Path(f"/studio/hot/{job}.jpg"))


def step(settings: dict[str, Any], origin: dict[str, str] | None = None, plugin: str = "0" * 64) -> Any:
    (one,) = spec_of().steps
    ref = one.plugin.model_copy(update={"blake3": plugin})
    return one.model_copy(update={"settings": settings, "origin": origin or {}, "plugin": ref})


@pytest.mark.parametrize(
    "change",
    [
        lambda spec: {"steps": (step({"lift_L": 3.5}),)},
        lambda spec: {"steps": (step({}, plugin="1" * 64),)},
        lambda spec: {"steps": ()},
        lambda spec: {"maker": spec.maker.model_copy(update={"settings": {"slug": False}})},
        lambda spec: {"stock": spec.stock.model_copy(update={"profile_blake3": "1" * 64})},
        lambda spec: {"stock": spec.stock.model_copy(update={"ticket": {"quality": "high"}})},
        lambda spec: {"sheet": spec.sheet.model_copy(update={"size": SizeMm(100, 150)})},
        lambda spec: {"edition": "2/25"},
    ],
    ids=["settings", "plugin", "chain", "sheet maker", "profile", "ticket", "sheet", "edition"],
)
def test_the_same_picture_is_another_print_after_a_change_of(
    change: Callable[[JobSpec], dict[str, Any]],
) -> None:
    spec = spec_of()
    assert identity_of(changed(spec), "ab") != identity_of(changed(spec, **change(spec)), "ab")


def test_neither_names_nor_dates_nor_where_a_value_came_from_nor_where_the_studio_lies_make_another_print() -> (
    None
):
    spec = spec_of()
    kept = {"file": "/studio/state/profiles/abc.icc"}
    stock = spec.stock.model_copy(update={"profile": Path("/studio/state/profiles/paper.icc")})
    moved = spec.stock.model_copy(
        update={"profile": Path("/moved/state/profiles/paper.icc"), "cure_hours": 24}
    )
    before = changed(spec, steps=(step(kept),), stock=stock)
    other = spec_of(TWO)
    after = changed(
        other,
        steps=(step({"file": "/moved/state/profiles/abc.icc"}, {"file": "settled"}),),
        stock=moved,
        recipe="renamed",
        stem="other",
        made="2026-12-01T10:00:00+01:00",
        approve=True,
        versions={"numpy": "2.0"},
    )
    assert identity_of(before, "ab") == identity_of(after, "ab") != b""


def test_what_is_not_known_equals_nothing() -> None:
    assert identity_of({}, "ab") == identity_of(changed(spec_of()), "") == b""


def test_after_settled_values_have_changed_the_same_drop_is_printed(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    shop.plan = {"steps": (step({"lift_L": 3.5}, {"lift_L": "settled"}),)}
    assert shop.drop(desk, TWO).stage is Stage.DONE


# ends and losses


def test_an_end_between_staging_and_asking_leads_to_the_question(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    row, ledger = shop.arrive(desk, TWO, data=HARBOUR), desk.publisher.ledger
    assert row.spec is not None
    result, folder = an_attempt(row.spec, ledger.start(TWO), shop.places.work)
    desk.publisher.stage(TWO, result, folder)
    desk = restarted(shop, desk)
    assert desk.publisher.ledger.job(TWO).question is Question.REPEATED
    desk = restarted(shop, desk)
    assert desk.approve(TWO).stage is Stage.DONE
    assert shop.sheets() == sorted([f"picture__{ONE}.tif", f"picture__{TWO}.tif"])


def test_a_repeat_whose_staged_sheet_is_gone_is_made_and_asked_about_anew(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    shop.drop(desk, TWO)
    (shop.prints / names.stage_name(TWO)).unlink()
    desk = restarted(shop, desk)
    shop.run(desk)
    row = desk.publisher.ledger.job(TWO)
    assert (row.question, row.attempt) == (Question.REPEATED, 2)
    assert (shop.prints / names.stage_name(TWO)).exists()


def test_a_job_that_a_person_says_was_printed_before_the_power_went_counts_as_printed(
    shop: Shop, desk: Desk
) -> None:
    row, ledger = shop.arrive(desk, ONE, data=HARBOUR), desk.publisher.ledger
    assert row.spec is not None
    result, folder = an_attempt(row.spec, ledger.start(ONE), shop.places.work)
    desk.publisher.stage(ONE, result, folder)
    ledger.publishing(ONE, shop.boot)
    shop.boot = "boot-2"
    desk = restarted(shop, desk)
    assert desk.publisher.ledger.job(ONE).question is Question.PRINTED
    desk.cancel(ONE)
    assert shop.drop(desk, TWO).question is Question.REPEATED


def test_a_ledger_that_was_lost_still_knows_what_was_printed(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    shop.drop(desk, TWO)
    desk.publisher.ledger.close()
    for file in shop.places.state.glob("ledger.db*"):
        file.unlink()
    desk = shop.open()
    assert (
        desk.publisher.ledger.job(TWO).question is Question.PRINTED
    )  # what was staged is always asked about
    row = shop.drop(desk, THREE)
    assert row.question is Question.REPEATED and f"job {ONE}" in row.reason


def test_a_ledger_from_before_there_were_repeats_opens_with_its_seals_whole(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    ledger = Ledger.open(path, kind_of=local, clock=Clock())
    ledger.add(a_spec(ONE, prints=tmp_path, source=tmp_path / "a.jpg"), tmp_path)
    ledger.close()
    with sqlite3.connect(path, isolation_level=None) as older:
        older.executescript(
            "DROP INDEX job_by_identity; ALTER TABLE job DROP COLUMN identity; PRAGMA user_version = 2;"
        )
    older.close()
    ledger = Ledger.open(path, kind_of=local, clock=Clock())
    assert ledger.job(ONE).stage is Stage.CLAIMED
    assert ledger._connection.execute("PRAGMA user_version").fetchone()[0] == ledger_file.SCHEMA_VERSION
    ledger.close()


def test_the_ledger_finds_a_repeat_by_its_index_alone(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path / "ledger.db", kind_of=local, clock=Clock())
    asked: list[str] = []
    row = ledger.arrive(Arrival(job=ONE, hot_folder="final", taken=tmp_path, original="a.jpg"))
    ledger._connection.set_trace_callback(asked.append)
    assert ledger.same_print(b"x" * 16, row, since=0.0) is None
    ledger._connection.set_trace_callback(None)
    (plan,) = ledger._connection.execute(f"EXPLAIN QUERY PLAN {asked[0]}").fetchall()
    assert "job_by_identity (identity=? AND created>?)" in plan["detail"]
    ledger.close()


def test_a_staged_sheet_names_its_print_in_the_ledger(shop: Shop, desk: Desk) -> None:
    shop.drop(desk, ONE)
    (kept,) = desk.publisher.ledger._connection.execute("SELECT identity FROM job").fetchone()
    row = desk.publisher.ledger.job(ONE)
    assert kept == identity_of(row.spec_data, row.result_data["source_blake3"]) and len(kept) == 16
    assert StagedSheet(prints=shop.prints, stem="a", name="a.tif", blake3="").columns()["identity"] == b""
