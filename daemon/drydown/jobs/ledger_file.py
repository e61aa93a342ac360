"""The ledger's file: its tables, how it is opened, and the one rule about SQLite versions.

Write-ahead logging with `synchronous=NORMAL`, the usual advice, loses acknowledged commits in a power cut; a rollback journal needs EXTRA
for the same promise. And SQLite had a bug that lost commits in write-ahead mode (https://www.sqlite.org/wal.html, "The WAL-Reset Bug"),
so that mode is used only where the library is known to be mended. This module knows tables, not what a job is.
"""

from __future__ import annotations

import contextlib
import functools
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

from drydown import durable
from drydown.errors import Conflict, MachineFault, NotFound
from drydown.jobs.states import FINAL, Stage

SCHEMA_VERSION = 3
BUSY_TIMEOUT_S = 10.0
THOROUGH_BYTES = 64 << 20  #: up to this size the slower check is made, about 4 s a gigabyte
_HEADER_BYTES = 100  #: of a SQLite file (https://www.sqlite.org/fileformat2.html, "The Database Header")

#: The first mended release of each line that was mended, and from where on every release is.
_MENDED_LINES = {(3, 50): 7, (3, 44): 6}
_MENDED_FROM = (3, 51, 3)
_SYNCHRONOUS = {"FULL": 2, "EXTRA": 3}

#: What belongs to a ledger beside the file itself; an old one of these beside a new ledger would damage it.
COMPANIONS = ("-journal", "-wal", "-shm")


def _one_of(stages: object) -> str:
    return ", ".join(f"'{stage}'" for stage in sorted(stages))  # type: ignore[call-overload]


_FINAL = _one_of(FINAL)

#: Schema 1, and what each later one adds: a ledger of an earlier program is brought up to date when it is opened to be written.
_FIRST = f"""
CREATE TABLE job (
  seq INTEGER PRIMARY KEY AUTOINCREMENT,
  id TEXT NOT NULL UNIQUE CHECK (length(id) > 0),
  stage TEXT NOT NULL CHECK (stage IN ({_one_of(Stage)})),
  hot_folder TEXT NOT NULL,
  taken BLOB,
  taken_shown TEXT NOT NULL,
  original BLOB NOT NULL,
  dropped BLOB,
  copied INTEGER NOT NULL DEFAULT 0,
  source_name TEXT NOT NULL,
  spec TEXT NOT NULL DEFAULT '',
  attempt INTEGER NOT NULL DEFAULT 0 CHECK (attempt >= 0),
  interrupted INTEGER NOT NULL DEFAULT 0,
  strikes INTEGER NOT NULL DEFAULT 0,
  pauses INTEGER NOT NULL DEFAULT 0,
  not_before REAL NOT NULL DEFAULT 0,
  boot_id TEXT NOT NULL DEFAULT '',
  prints BLOB,
  stem TEXT NOT NULL DEFAULT '',
  sheet_name TEXT NOT NULL DEFAULT '',
  sheet_blake3 TEXT NOT NULL DEFAULT '',
  approved INTEGER NOT NULL DEFAULT 0,
  question TEXT NOT NULL DEFAULT '',
  reason TEXT NOT NULL DEFAULT '',
  result TEXT NOT NULL DEFAULT '',
  again_of TEXT NOT NULL DEFAULT '',
  collected REAL NOT NULL DEFAULT 0,
  created REAL NOT NULL,
  updated REAL NOT NULL,
  seal INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX job_by_stage ON job (stage, seq);
CREATE TABLE event (
  seq INTEGER PRIMARY KEY AUTOINCREMENT,
  time REAL NOT NULL,
  job TEXT NOT NULL,
  event TEXT NOT NULL,
  stage TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  culprit TEXT NOT NULL DEFAULT '',
  detail TEXT NOT NULL DEFAULT ''
);
CREATE INDEX event_by_job ON event (job, seq);
CREATE TABLE fact (name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL);
CREATE TRIGGER event_never_changes BEFORE UPDATE ON event
  BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;
CREATE TRIGGER event_never_goes BEFORE DELETE ON event
  BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;
CREATE TRIGGER final_is_final BEFORE UPDATE OF stage ON job
WHEN OLD.stage IN ({_FINAL}) AND NEW.stage IS NOT OLD.stage
  BEGIN SELECT RAISE(ABORT, 'a finished job never changes'); END;
CREATE TRIGGER job_keeps_its_name BEFORE UPDATE OF id ON job WHEN NEW.id IS NOT OLD.id
  BEGIN SELECT RAISE(ABORT, 'a job keeps its name'); END;
CREATE TRIGGER job_never_goes BEFORE DELETE ON job
  BEGIN SELECT RAISE(ABORT, 'a job is never deleted'); END;
"""
_SECOND = """
CREATE TABLE model (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, text BLOB NOT NULL);
CREATE TRIGGER model_never_changes BEFORE UPDATE ON model
  BEGIN SELECT RAISE(ABORT, 'a model is never changed'); END;
CREATE TRIGGER model_never_goes BEFORE DELETE ON model
  BEGIN SELECT RAISE(ABORT, 'a model is never deleted'); END;
"""
#: The print that a job is (see jobs/repeats.py): jobs of the same one are found without reading any plan.
_THIRD = """
ALTER TABLE job ADD COLUMN identity BLOB NOT NULL DEFAULT X'';
CREATE INDEX job_by_identity ON job (identity, created);
"""
SCHEMA = (_FIRST, _SECOND, _THIRD)


class LedgerDamaged(MachineFault):
    """The file is no ledger any more. It is to be moved aside and built again from the folders."""


class LedgerFailed(MachineFault):
    """A commit failed and nobody knows what is on the disk: this process must end, the next start recovers."""


def wal_is_safe(version: tuple[int, ...]) -> bool:
    """True when this SQLite may use write-ahead logging: 3.51.3 and later, 3.50.7 and later of that line, 3.44.6 and later of that."""
    if version >= _MENDED_FROM:
        return True
    major, minor, patch = version[:3]
    mended = _MENDED_LINES.get((major, minor))
    return mended is not None and patch >= mended


def journal_for(version: tuple[int, ...]) -> tuple[str, str]:
    """(journal_mode, synchronous) that keep every acknowledged commit through a power cut with this SQLite."""
    return ("WAL", "FULL") if wal_is_safe(version) else ("TRUNCATE", "EXTRA")


def exists(path: Path) -> bool:
    """True when there is a ledger; a file of no length is none."""
    try:
        return path.stat().st_size > 0
    except FileNotFoundError:
        return False


def open_to_write(
    path: Path, *, kind_of: Callable[[Path], str], version: tuple[int, ...]
) -> sqlite3.Connection:
    """The writing connection, checked; a new ledger is made when there is none.

    `kind_of`: answers `network` for a folder on a file system that other machines write to. Raises MachineFault for such a one,
    LedgerDamaged, Conflict for a ledger of a later program, LedgerFailed.
    """
    if kind_of(path.parent) == "network":
        raise MachineFault(
            f"{path.parent} lies on a network file system, where SQLite's locks cannot be trusted; "
            "keep the studio on a disk of this machine (its hot folders and prints may lie on the share)"
        )
    is_new = not exists(path)
    if is_new and any(exists(Path(f"{path}{companion}")) for companion in COMPANIONS):
        raise LedgerDamaged(f"the ledger {path} is gone, but its journal is still there")
    os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))
    if is_new:
        durable.fsync_dir(path.parent)
    connection = _connect(path, "rw")
    try:
        _check(connection, path)
        _set_journal(connection, journal_for(version))
        schema = connection.execute("PRAGMA user_version").fetchone()[0]
        if schema < SCHEMA_VERSION:
            script = "\n".join([*SCHEMA[schema:], f"PRAGMA user_version = {SCHEMA_VERSION};"])
            connection.executescript(f"BEGIN IMMEDIATE;\n{script}\nCOMMIT;")
    except (sqlite3.Error, UnicodeDecodeError) as error:
        connection.close()
        raise sorted_error(error, path) from error
    except BaseException:
        connection.close()
        raise
    return connection


def open_to_read(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises NotFound when there is no ledger yet, MachineFault, LedgerDamaged."""
    if not exists(path):
        raise NotFound(f"there is no ledger at {path} yet; it is made when the first picture is printed")
    connection = _connect(path, "ro")
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except (sqlite3.Error, UnicodeDecodeError) as error:
        connection.close()
        if _name(error) == "SQLITE_READONLY_ROLLBACK":
            raise MachineFault(
                f"the ledger {path} was left in the middle of a commit; the next `drydown watch` or `drydown run` completes it"
            ) from error
        raise sorted_error(error, path) from error
    if version > SCHEMA_VERSION:
        connection.close()
        raise _too_new(path, version)
    return connection


def sorted_error(error: sqlite3.Error | UnicodeDecodeError, path: Path) -> MachineFault:
    """What an error of SQLite means. A full disk rolls the transaction back and leaves the ledger as it was; that alone can be tried again."""
    name = _name(error)
    if isinstance(error, UnicodeDecodeError) or name.startswith(
        ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT")
    ):
        return LedgerDamaged(
            f"the ledger {path} is damaged ({error}); it is moved aside and built again from the folders at the next start"
        )
    if name.startswith(("SQLITE_FULL", "SQLITE_BUSY", "SQLITE_CANTOPEN", "SQLITE_READONLY")):
        return MachineFault(
            f"the ledger {path} cannot be written now ({error}); make room or see that nobody else holds it"
        )
    return LedgerFailed(
        f"the ledger {path} failed ({name or type(error).__name__}: {error}); start again to recover"
    )


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    """`mode`: `rw` or `ro` of SQLite's URI names. Transactions are ours (`isolation_level=None`), the thread is one."""
    uri = f"file:{quote(os.fsencode(path.absolute()))}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S)
    connection.row_factory = sqlite3.Row
    connection.text_factory = _text  # a damaged letter must not keep a person from reading the rest
    return connection


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


def _check(connection: sqlite3.Connection, path: Path) -> None:
    """Every page is looked at on every opening: it costs less than to know for certain that the last end was a clean one."""
    thorough = path.stat().st_size <= THOROUGH_BYTES  # also that indexes and rows agree
    faults = [
        row[0] for row in connection.execute(f"PRAGMA {'integrity_check' if thorough else 'quick_check'}(1)")
    ]
    if faults == ["ok"] and 0 < path.stat().st_size < _HEADER_BYTES:
        faults = ["it is cut off inside its head, which SQLite takes for an empty database"]
    if faults != ["ok"]:
        raise LedgerDamaged(f"the ledger {path} is damaged ({faults[0]})")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = _tables(connection)
    if version > SCHEMA_VERSION and any(name == "job" for _, name, _ in tables):
        raise _too_new(path, version)
    if (version or tables) and (not 1 <= version <= SCHEMA_VERSION or tables != _expected_tables(version)):
        raise LedgerDamaged(f"the ledger {path} is damaged (its tables are not those of schema {version})")


def _tables(connection: sqlite3.Connection) -> list[tuple[str, str, str]]:
    """(type, name, SQL) of all tables, indexes and triggers."""
    query = "SELECT type, name, coalesce(sql, '') FROM sqlite_master WHERE name <> 'sqlite_sequence' ORDER BY name"
    return [(row[0], row[1], row[2]) for row in connection.execute(query)]


@functools.cache
def _expected_tables(version: int) -> list[tuple[str, str, str]]:
    """The same of a ledger of this schema as it was made."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        fresh.executescript("\n".join(SCHEMA[:version]))
        return _tables(fresh)


def _set_journal(connection: sqlite3.Connection, wanted: tuple[str, str]) -> None:
    """Set and read back: SQLite answers what it did, and does not complain when that is something else."""
    mode, synchronous = wanted
    got_mode = connection.execute(f"PRAGMA journal_mode = {mode}").fetchone()[0]
    connection.execute(f"PRAGMA synchronous = {synchronous}")
    got_synchronous = connection.execute("PRAGMA synchronous").fetchone()[0]
    if got_mode.upper() != mode or got_synchronous != _SYNCHRONOUS[synchronous]:
        raise LedgerFailed(
            f"SQLite was asked for journal {mode} with synchronous {synchronous} and answered {got_mode} with {got_synchronous}; "
            "without them a power cut could lose jobs"
        )


def _too_new(path: Path, version: int) -> Conflict:
    return Conflict(
        f"the ledger {path} was written by a later Drydown (schema {version}, this one knows {SCHEMA_VERSION}); use that one"
    )


def _name(error: Exception) -> str:
    return str(getattr(error, "sqlite_errorname", "") or "")
