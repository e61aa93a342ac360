"""The ledger's file: what is looked at when it is opened, and that it is let go of when it cannot be used."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from jobs_kit import Clock, a_spec, is_open, local

from drydown import durable
from drydown.errors import Conflict, NotFound
from drydown.jobs.ledger import Ledger, LedgerDamaged, LedgerView
from drydown.jobs.ledger_file import SCHEMA, exists

ONE = "7f3akq2m0001a"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with one job in it, closed."""
    ledger = Ledger.open(tmp_path / "ledger.db", kind_of=local, clock=Clock(1000.0))
    ledger.add(a_spec(ONE, prints=tmp_path, source=tmp_path / "a.jpg"), tmp_path)
    ledger.close()
    return ledger.path


def to_write(path: Path) -> Ledger:
    return Ledger.open(path, kind_of=local)


def by_hand(path: Path, *statements: str) -> None:
    with sqlite3.connect(path, isolation_level=None) as connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()


def another_letter(path: Path) -> None:
    data = path.read_bytes()
    assert b"a.jpg" in data
    path.write_bytes(data.replace(b"a.jpg", b"b.jpg"))


def no_database(path: Path) -> None:
    path.write_bytes(b"I am no ledger.\n" * 500)


def another_table(path: Path) -> None:
    by_hand(path, "CREATE TABLE guest (name TEXT)")


def another_trigger(path: Path) -> None:
    """Of the same name, and it lets a finished job be changed."""
    by_hand(
        path,
        "DROP TRIGGER final_is_final",
        "CREATE TRIGGER final_is_final BEFORE UPDATE OF stage ON job WHEN 0 BEGIN SELECT 1; END",
    )


def a_later_one(path: Path) -> None:
    by_hand(path, "PRAGMA user_version = 99")


@pytest.mark.parametrize("harm", [another_letter, no_database, another_table, another_trigger, a_later_one])
def test_a_ledger_that_cannot_be_used_is_let_go_of(path: Path, harm: Callable[[Path], None]) -> None:
    harm(path)
    with pytest.raises((LedgerDamaged, Conflict)) as caught:
        to_write(path)
    assert not is_open(path), caught.value


@pytest.mark.parametrize("harm", [no_database, a_later_one])
def test_a_ledger_that_cannot_be_read_is_let_go_of(path: Path, harm: Callable[[Path], None]) -> None:
    harm(path)
    with pytest.raises((LedgerDamaged, Conflict)) as caught:
        LedgerView.read(path)
    assert not is_open(path), caught.value


def test_an_open_ledger_is_seen_to_be_open(path: Path) -> None:
    with to_write(path):
        assert is_open(path)
    assert not is_open(path)


def test_a_reader_is_told_that_a_file_is_no_ledger_and_which(path: Path) -> None:
    no_database(path)
    with pytest.raises(LedgerDamaged, match=f"the ledger {path} is damaged"):
        LedgerView.read(path)


@pytest.mark.parametrize("opened", [to_write, LedgerView.read])
def test_a_ledger_of_a_later_program_is_named_with_both_schemas(
    path: Path, opened: Callable[[Path], object]
) -> None:
    a_later_one(path)
    with pytest.raises(Conflict, match=rf"the ledger {path} .*\(schema 99, this one knows {len(SCHEMA)}\)"):
        opened(path)


def test_a_strangers_database_is_damage_whatever_its_version(tmp_path: Path) -> None:
    by_hand(tmp_path / "ledger.db", "CREATE TABLE guest (name TEXT)", "PRAGMA user_version = 99")
    with pytest.raises(LedgerDamaged, match="not those of schema 99"):
        to_write(tmp_path / "ledger.db")


def test_there_is_a_ledger_from_its_first_byte_on(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    assert not exists(path)
    path.write_bytes(b"")
    assert not exists(path)
    with pytest.raises(NotFound, match="no ledger"):
        LedgerView.read(path)
    path.write_bytes(b"x")
    assert exists(path)


def test_a_new_ledger_has_the_last_schema_and_its_name_is_brought_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    monkeypatch.setattr(durable, "on_step", steps.append)
    with to_write(tmp_path / "ledger.db") as ledger:
        assert ledger._connection.execute("PRAGMA user_version").fetchone()[0] == len(SCHEMA)
    assert steps == ["fsync-folder", "fsync-folder.done"]


def test_an_index_that_does_not_agree_with_its_rows_is_noticed(path: Path) -> None:
    """Each page is whole, and the seals of the rows fit: only the slower check sees that an event is missing from its index."""
    with sqlite3.connect(path, isolation_level=None) as connection:
        kept = connection.execute("SELECT * FROM sqlite_master WHERE name = 'event_by_job'").fetchone()
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("DELETE FROM sqlite_master WHERE name = 'event_by_job'")
    connection.close()
    by_hand(
        path,
        "INSERT INTO event (time, job, event, stage, attempt) VALUES (1, 'x', 'claimed', 'claimed', 0)",
    )
    with sqlite3.connect(path, isolation_level=None) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("INSERT INTO sqlite_master VALUES (?, ?, ?, ?, ?)", kept)
    connection.close()
    with pytest.raises(LedgerDamaged, match="index event_by_job"):
        to_write(path)


@pytest.mark.parametrize("length", [1, 50, 99])
def test_a_ledger_that_is_cut_off_inside_its_head_is_damaged_and_not_begun_anew(
    path: Path, length: int
) -> None:
    cut = path.read_bytes()[:length]
    path.write_bytes(cut)
    with pytest.raises(LedgerDamaged):
        to_write(path)
    assert path.read_bytes() == cut
