"""The ledger: what survives, what is refused, and what can be asked."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from jobs_kit import Clock, World, a_spec, answered, local

from drydown import durable
from drydown.errors import Conflict, MachineFault, NotFound
from drydown.jobs import ledger_file
from drydown.jobs.ledger import Arrival, Ledger, LedgerDamaged, LedgerFailed, LedgerView, StagedSheet
from drydown.jobs.ledger_file import journal_for, wal_is_safe
from drydown.jobs.states import Question, Stage

ONE = "7f3akq2m0001a"
TWO = "7f3akq2m0002b"


@pytest.fixture
def clock() -> Clock:
    return Clock(1000.0)


@pytest.fixture
def ledger(tmp_path: Path, clock: Clock) -> Iterator[Ledger]:
    opened = Ledger.open(tmp_path / "ledger.db", kind_of=local, clock=clock)
    yield opened
    opened.close()


def enter(ledger: Ledger, job: str = ONE) -> Path:
    """A claimed picture with a plan."""
    folder = ledger.path.parent / ".taken" / job
    ledger.add(a_spec(job, prints=ledger.path.parent / "prints", source=folder / "a.jpg"), folder)
    return folder


def stage(ledger: Ledger, job: str = ONE) -> None:
    """An attempt that made a sheet."""
    number = ledger.start(job)
    prints = ledger.path.parent / "prints"
    sheet = StagedSheet(prints=prints, stem="a", name=f"a__{job}.tif", blake3="ab" * 32)
    ledger.staged(job, sheet, answered(job, number, "done", ""))


# versions and journals: https://www.sqlite.org/wal.html, "The WAL-Reset Bug"
@pytest.mark.parametrize(
    ("version", "safe"),
    [
        ((3, 7, 0), False),
        ((3, 40, 1), False),
        ((3, 43, 9), False),
        ((3, 44, 5), False),
        ((3, 44, 6), True),
        ((3, 44, 9), True),
        ((3, 45, 3), False),
        ((3, 49, 2), False),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 0), False),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 52, 0), True),
        ((4, 0, 0), True),
    ],
)
def test_write_ahead_logging_only_where_sqlite_is_mended(version: tuple[int, ...], safe: bool) -> None:
    assert wal_is_safe(version) is safe
    assert journal_for(version) == (("WAL", "FULL") if safe else ("TRUNCATE", "EXTRA"))


@pytest.mark.parametrize(
    ("version", "journal", "synchronous"), [((3, 40, 1), "truncate", 3), ((3, 51, 3), "wal", 2)]
)
def test_the_journal_that_was_chosen_is_the_one_in_force(
    tmp_path: Path, version: tuple[int, ...], journal: str, synchronous: int
) -> None:
    ledger = Ledger.open(tmp_path / "ledger.db", kind_of=local, version=version)
    assert ledger._connection.execute("PRAGMA journal_mode").fetchone()[0] == journal
    assert ledger._connection.execute("PRAGMA synchronous").fetchone()[0] == synchronous
    enter(ledger)
    with LedgerView.read(ledger.path) as view:  # beside the writer
        assert view.job(ONE).stage is Stage.CLAIMED
    ledger.close()
    with LedgerView.read(tmp_path / "ledger.db") as view:  # and after it
        assert view.job(ONE).stage is Stage.CLAIMED


def test_a_ledger_moves_between_the_two_journals_without_losing_a_row(tmp_path: Path) -> None:
    for version in ((3, 51, 3), (3, 40, 1), (3, 51, 3)):
        ledger = Ledger.open(tmp_path / "ledger.db", kind_of=local, version=version)
        if not ledger.has(ONE):
            enter(ledger)
        assert ledger.job(ONE).stage is Stage.CLAIMED
        ledger.close()


def test_a_journal_that_sqlite_does_not_grant_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_file, "_SYNCHRONOUS", {"FULL": 1, "EXTRA": 1})
    with pytest.raises(LedgerFailed, match="power cut"):
        Ledger.open(tmp_path / "ledger.db", kind_of=local)


def test_a_network_file_system_is_refused_with_a_place_to_go(tmp_path: Path) -> None:
    with pytest.raises(MachineFault, match=r"network file system.*disk of this machine"):
        Ledger.open(tmp_path / "ledger.db", kind_of=lambda _: "network")
    assert not (tmp_path / "ledger.db").exists()


def test_the_ledger_is_for_its_owner_only(ledger: Ledger) -> None:
    assert ledger.path.stat().st_mode & 0o077 == 0


def test_another_thread_cannot_write(ledger: Ledger) -> None:
    caught: list[BaseException] = []

    def write() -> None:
        try:
            ledger.remember("a", "b")
        except BaseException as error:
            caught.append(error)

    thread = threading.Thread(target=write)
    thread.start()
    thread.join()
    assert isinstance(caught[0], sqlite3.ProgrammingError)


def test_a_job_goes_its_whole_way_and_every_step_is_an_event(ledger: Ledger, clock: Clock) -> None:
    folder = enter(ledger)
    clock.now = 1001.0
    stage(ledger)
    ledger.publishing(ONE, "boot-1")
    assert ledger.job(ONE).boot_id == "boot-1"
    ledger.published(ONE)
    clock.now = 1009.0
    row = ledger.done(ONE)
    assert (row.stage, row.state, row.attempt, row.taken) == (Stage.DONE, "completed", 1, folder)
    assert (row.created, row.updated) == (1000.0, 1009.0)
    assert row.sheet == ledger.path.parent / "prints" / f"a__{ONE}.tif"
    assert [(event.event, event.stage, event.attempt) for event in ledger.events(ONE)] == [
        ("claimed", Stage.CLAIMED, 0),
        ("started", Stage.RUNNING, 1),
        ("staged", Stage.STAGED, 1),
        ("handed over", Stage.PUBLISHING, 1),
        ("published", Stage.PUBLISHED, 1),
        ("completed", Stage.DONE, 1),
    ]


def test_the_attempt_is_counted_before_the_work_begins(ledger: Ledger) -> None:
    enter(ledger)
    assert ledger.start(ONE) == 1
    with LedgerView.read(ledger.path) as view:
        assert (view.job(ONE).attempt, view.job(ONE).stage) == (1, Stage.RUNNING)


def test_plan_and_answer_come_back_as_they_were_put_in(ledger: Ledger) -> None:
    folder = enter(ledger)
    spec = a_spec(ONE, prints=ledger.path.parent / "prints", source=folder / "a.jpg")
    assert ledger.job(ONE).spec == spec
    ledger.start(ONE)
    result = answered(ONE, 1, "machine", "no space")
    row = ledger.pause(ONE, not_before=1234.0, pauses=1, reason="no space", result=result)
    assert (row.result, row.not_before, row.pauses, row.reason) == (result, 1234.0, 1, "no space")


def test_names_that_are_no_text_survive(ledger: Ledger) -> None:
    name = b"\xff\xfe\n\x1b[2J.jpg".decode("utf-8", "surrogateescape")
    folder = ledger.path.parent / name
    spec = a_spec(ONE, prints=folder, source=folder / name)
    row = ledger.add(spec, folder, dropped=folder / name)
    assert (row.taken, row.original, row.dropped) == (folder, name, folder / name)
    assert row.spec is not None and row.spec.source == folder / name
    assert row.taken_shown.endswith(r"\xff\xfe\n\x1b[2J.jpg")
    assert row.taken_shown.isprintable()


def test_a_job_is_entered_once(ledger: Ledger) -> None:
    enter(ledger)
    with pytest.raises(Conflict, match="already"):
        enter(ledger)
    assert len(ledger.events(ONE)) == 1


@pytest.mark.parametrize("name", ["", "short", "UPPER1234", "../../etc", "with space1", "a" * 33])
def test_only_harmless_names_can_be_jobs(ledger: Ledger, name: str) -> None:
    with pytest.raises(ValueError, match="name of a job"):
        ledger.arrive(Arrival(job=name, hot_folder="final", taken=None))


def test_a_refused_move_changes_nothing(ledger: Ledger) -> None:
    enter(ledger)
    with pytest.raises(Conflict, match="cannot be published now"):
        ledger.published(ONE)
    assert ledger.job(ONE).stage is Stage.CLAIMED
    assert len(ledger.events(ONE)) == 1
    ledger.start(ONE)  # and the ledger goes on


@pytest.mark.parametrize("end", ["done", "fail", "cancel"])
def test_no_hand_on_the_file_itself_takes_a_job_out_of_a_final_stage(ledger: Ledger, end: str) -> None:
    enter(ledger)
    if end == "done":
        stage(ledger)
        ledger.publishing(ONE, "b")
        ledger.published(ONE)
        ledger.done(ONE)
    elif end == "fail":
        ledger.fail(ONE, "no")
    else:
        ledger.cancel(ONE)
    for new in Stage:
        if new is not ledger.job(ONE).stage:
            with pytest.raises(sqlite3.IntegrityError, match="never changes"):
                ledger._connection.execute("UPDATE job SET stage = ?", (new,))


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE event SET detail = 'x'", "never changed"),
        ("DELETE FROM event", "never deleted"),
        ("DELETE FROM job", "never deleted"),
        ("UPDATE job SET id = 'other1234'", "keeps its name"),
    ],
)
def test_history_cannot_be_rewritten(ledger: Ledger, statement: str, why: str) -> None:
    enter(ledger)
    with pytest.raises(sqlite3.IntegrityError, match=why):
        ledger._connection.execute(statement)


def test_a_released_job_starts_with_clean_counters(ledger: Ledger) -> None:
    enter(ledger)
    ledger.start(ONE)
    ledger.hold(ONE, Question.RECIPE, "mend the step", strikes=2)
    row = ledger.release(ONE)
    assert (row.stage, row.strikes, row.interrupted, row.question, row.reason) == (
        Stage.CLAIMED, 0, 0, Question.NONE, "",
    )  # fmt: skip


def test_a_plan_can_be_changed_while_a_job_waits_and_not_while_it_runs(ledger: Ledger) -> None:
    folder = enter(ledger)
    other = a_spec(ONE, prints=folder, source=folder / "a.jpg", stem="other")
    assert ledger.plan(ONE, other).spec == other
    ledger.start(ONE)
    with pytest.raises(Conflict, match="cannot be changed now"):
        ledger.plan(ONE, other)


# what can be asked


def test_a_job_is_found_by_the_beginning_of_its_name(ledger: Ledger) -> None:
    enter(ledger)
    enter(ledger, TWO)
    assert ledger.job("7f3akq2m0001").id == ONE
    with pytest.raises(NotFound, match=f"several jobs begin with '7f3a': {TWO}, {ONE}"):
        ledger.job("7f3a")


def test_an_unknown_job_is_answered_with_near_ones(ledger: Ledger) -> None:
    enter(ledger)
    with pytest.raises(NotFound, match=f"did you mean {ONE}"):
        ledger.job("7f3akq2n0001a")
    for name in ("", "zzzzzzzzz", "%", "7f3a%", "_" * 13):
        with pytest.raises(NotFound):
            ledger.job(name)


def test_jobs_are_listed_newest_first_by_state_folder_and_number(ledger: Ledger) -> None:
    enter(ledger)
    enter(ledger, TWO)
    ledger.cancel(ONE)
    assert [row.id for row in ledger.jobs()] == [TWO, ONE]
    assert [row.id for row in ledger.jobs(["canceled"])] == [ONE]
    assert [row.id for row in ledger.jobs(["pending", "processing"])] == [TWO]
    assert [row.id for row in ledger.jobs(limit=1)] == [TWO]
    assert ledger.jobs(hot_folder="proof") == []
    assert (ledger.count(Stage.CLAIMED), ledger.count(Stage.CANCELLED), ledger.count()) == (1, 1, 0)
    assert [row.id for row in ledger.live()] == [TWO]


def test_a_retry_goes_behind_what_waits_already_and_starts_when_its_time_has_come(
    ledger: Ledger, clock: Clock
) -> None:
    enter(ledger)
    ledger.start(ONE)
    ledger.retry(ONE, not_before=1005.0, strikes=1, reason="crash")
    clock.now = 1001.0
    enter(ledger, TWO)
    assert [row.id for row in ledger.ready(1004.9)] == [TWO]
    assert [row.id for row in ledger.ready(1005.0)] == [TWO, ONE]
    assert [row.id for row in ledger.ready(1005.0, limit=1)] == [TWO]


def test_a_clock_that_was_set_back_does_not_keep_a_job_waiting_for_days(ledger: Ledger) -> None:
    enter(ledger)
    ledger.start(ONE)
    ledger.retry(ONE, not_before=1_000_000.0, strikes=1, reason="crash")
    assert ledger.ready(1_000_000.0 - 900) == []
    assert [row.id for row in ledger.ready(1_000_000.0 - 86_400)] == [ONE]


def test_crashes_of_one_step_are_counted_over_jobs_and_forgotten_after_a_success(ledger: Ledger) -> None:
    for job in (ONE, TWO):
        enter(ledger, job)
        number = ledger.start(job)
        crash = answered(job, number, "crashed", "boom", "border")
        ledger.retry(job, not_before=0, strikes=1, reason="boom", result=crash)
    assert ledger.crashes_in_a_row("border") == 2
    assert ledger.crashes_in_a_row("crop") == 0
    stage(ledger)
    assert ledger.crashes_in_a_row("border") == 0


def test_a_job_is_shown_as_one_flat_object(ledger: Ledger) -> None:
    enter(ledger)
    shown = ledger.job(ONE).public()
    assert {key: shown[key] for key in ("job", "state", "source", "recipe", "sheet_maker", "outputs", "seconds", "reason")} == {
        "job": ONE, "state": "pending", "source": "a.jpg", "recipe": "shoreline", "sheet_maker": "final",
        "outputs": [], "seconds": None, "reason": "",
    }  # fmt: skip


def test_reading_needs_a_ledger_and_cannot_write(tmp_path: Path, ledger: Ledger) -> None:
    with pytest.raises(NotFound, match="no ledger"):
        LedgerView.read(tmp_path / "nowhere.db")
    with LedgerView.read(ledger.path) as view, pytest.raises(sqlite3.OperationalError, match="readonly"):
        view._connection.execute("INSERT INTO fact VALUES ('a', 'b')")


def test_a_ledger_of_a_later_program_is_refused_and_left_as_it_is(ledger: Ledger) -> None:
    ledger._connection.execute("PRAGMA user_version = 99")
    ledger.close()
    before = ledger.path.read_bytes()
    with pytest.raises(Conflict, match="later Drydown"):
        Ledger.open(ledger.path, kind_of=local)
    with pytest.raises(Conflict, match="later Drydown"):
        LedgerView.read(ledger.path)
    assert ledger.path.read_bytes() == before


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        (b"a.jpg", b"b.jpg", ONE),
        (b'"recipe": "shoreline"', b'"recipe": "shorelane"', "packed text is damaged"),
    ],
)
def test_a_row_of_a_live_job_or_its_plan_that_was_changed_by_one_letter_is_noticed(
    ledger: Ledger, was: bytes, now: bytes, said: str
) -> None:
    enter(ledger)
    ledger.close()
    data = ledger.path.read_bytes()
    assert was in data
    ledger.path.write_bytes(data.replace(was, now))
    with pytest.raises(LedgerDamaged, match=said):
        Ledger.open(ledger.path, kind_of=local)


def test_a_ledger_that_was_left_in_the_middle_of_a_commit_is_completed_by_the_next_writer_and_told_of_to_a_reader(
    ledger: Ledger, tmp_path: Path
) -> None:
    enter(ledger)
    connection = ledger._connection
    connection.execute(
        "PRAGMA cache_size = 1"
    )  # pages go to the file, the old ones to the journal, before any commit
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("UPDATE job SET stage = 'failed'")
    for number in range(200):
        connection.execute("INSERT INTO fact VALUES (?, ?)", (str(number), "x" * 2000))
    left = tmp_path / "left.db"
    for end in ("", "-journal"):
        shutil.copy(f"{ledger.path}{end}", f"{left}{end}")  # what a power cut leaves
    connection.execute("ROLLBACK")
    with pytest.raises(MachineFault, match="middle of a commit"):
        LedgerView.read(left)
    recovered = Ledger.open(left, kind_of=local)
    assert recovered.job(ONE).stage is Stage.CLAIMED
    recovered.close()
    with LedgerView.read(left) as view:
        assert view.job(ONE).stage is Stage.CLAIMED


# when a commit fails


def test_a_commit_that_does_not_come_to_its_end_leaves_the_state_before(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    enter(ledger)
    monkeypatch.setattr(durable, "on_step", _refuse)
    with pytest.raises(KeyboardInterrupt):
        ledger.start(ONE)
    monkeypatch.undo()
    assert ledger.job(ONE).stage is Stage.CLAIMED
    assert ledger.start(ONE) == 1


def _refuse(name: str) -> None:
    if name == "commit":
        raise KeyboardInterrupt


class Sick:
    """A connection whose commits fail with one of SQLite's errors."""

    def __init__(self, real: sqlite3.Connection, code: int, name: str) -> None:
        self.real, self.code, self.name = real, code, name

    def execute(self, statement: str, values: tuple[object, ...] = ()) -> sqlite3.Cursor:
        if statement == "COMMIT":
            error = sqlite3.OperationalError("the disk says no")
            error.sqlite_errorcode, error.sqlite_errorname = self.code, self.name
            raise error
        return self.real.execute(statement, values)

    def __getattr__(self, name: str) -> object:
        return getattr(self.real, name)


@pytest.mark.parametrize("name", ["SQLITE_FULL", "SQLITE_BUSY"])
def test_a_full_disk_is_the_machines_fault_and_the_ledger_goes_on_afterwards(
    ledger: Ledger, name: str
) -> None:
    enter(ledger)
    real = ledger._connection
    ledger._connection = Sick(real, getattr(sqlite3, name), name)  # type: ignore[assignment]
    with pytest.raises(MachineFault) as caught:
        ledger.start(ONE)
    assert not isinstance(caught.value, LedgerFailed | LedgerDamaged)
    ledger._connection = real
    assert ledger.start(ONE) == 1


@pytest.mark.parametrize("name", ["SQLITE_IOERR_FSYNC", "SQLITE_IOERR_WRITE", "SQLITE_CORRUPT"])
def test_after_a_commit_of_unknown_end_nothing_is_written_any_more(ledger: Ledger, name: str) -> None:
    enter(ledger)
    real = ledger._connection
    ledger._connection = Sick(real, getattr(sqlite3, name), name)  # type: ignore[assignment]
    with pytest.raises(MachineFault):
        ledger.start(ONE)
    ledger._connection = real
    with pytest.raises(LedgerFailed):  # a second sync would lie: only a new start may look at the disk
        ledger.start(ONE)


def test_a_full_disk_is_told_by_sqlite_itself(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path / "ledger.db", kind_of=local)
    enter(ledger)
    pages = ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    ledger._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(MachineFault, match="make room"):
        for number in range(200):
            ledger.remember(f"fact {number}", "x" * 500)
    ledger._connection.execute("PRAGMA max_page_count = 100000")
    assert ledger.start(ONE) == 1
    ledger.close()


def test_a_world_opens_where_there_is_nothing_yet(tmp_path: Path) -> None:
    desk = World(tmp_path / "studio").open()
    assert desk.publisher.ledger.jobs() == []
    desk.publisher.ledger.close()
