"""Mutants that are left out, as (module, what) -> why: what they change cannot be seen from outside, or is a matter of taste. An entry whose line changes must go."""

from __future__ import annotations

_CLAIM, _FILE, _LEDGER, _RECOVERY = (
    "intake/claim.py",
    "jobs/ledger_file.py",
    "jobs/ledger.py",
    "jobs/recovery.py",
)
_TRUTH = "asked for its truth only"
_ONE_COLUMN = "a row of one column: its first is its last"
_VERSION = "connection.execute('PRAGMA user_version').fetchone()"
_NOTED = "self._note(of_stock(stock), 'verified', ''"
_UNREAD = "the event of a verification belongs to no attempt, and nobody reads which"
_SQL_TELLS = "the SQL in the third column begins with the type, and both sides are read in the same way"

_SQLITE_TELLS = (
    "only a file of a few bytes is an empty database to SQLite; it refuses one of 50 bytes and more by itself"
)

#: No test can notice these.
EQUIVALENT: dict[tuple[str, str], str] = {
    (_CLAIM, "_exists: return False  ->  return None"): _TRUTH,
    (
        _CLAIM,
        "_still_whole: note.settings is not None and note.settings_look is not None"
        "  ->  note.settings is not None or note.settings_look is not None",
    ): "settings and their look come together (`intake/gate.py`); both are asked for the sake of their types",
    (_FILE, "module: _HEADER_BYTES = 100  ->  _HEADER_BYTES = 101"): _SQLITE_TELLS,
    (_FILE, "module: _HEADER_BYTES = 100  ->  _HEADER_BYTES = 99"): _SQLITE_TELLS,
    (_LEDGER, "approve: approved=1  ->  approved=2"): "read as a truth",
    (
        _LEDGER,
        f"verified: {_NOTED}, 0, self._clock(), detail=report)  ->  {_NOTED}, 1, self._clock(), detail=report)",
    ): _UNREAD,
    (
        _LEDGER,
        f"verified: {_NOTED}, 0, self._clock(), detail=report)  ->  {_NOTED}, -1, self._clock(), detail=report)",
    ): _UNREAD,
    (
        _LEDGER,
        "_seal: self._rows('SELECT * FROM job WHERE id = ?', (job,))[0]"
        "  ->  self._rows('SELECT * FROM job WHERE id = ?', (job,))[-1]",
    ): "one row: a job's name is unique",
    (_FILE, "wal_is_safe: :3  ->  :4"): "SQLite's version has three numbers",
    (_FILE, "exists: return False  ->  return None"): _TRUTH,
    (_FILE, f"open_to_write: {_VERSION}[0]  ->  {_VERSION}[-1]"): _ONE_COLUMN,
    (_FILE, f"open_to_read: {_VERSION}[0]  ->  {_VERSION}[-1]"): _ONE_COLUMN,
    (_FILE, f"_check: {_VERSION}[0]  ->  {_VERSION}[-1]"): _ONE_COLUMN,
    (_FILE, "_check: row[0]  ->  row[-1]"): _ONE_COLUMN,
    (
        _FILE,
        "_check: 1 <= version <= SCHEMA_VERSION  ->  0 <= version <= SCHEMA_VERSION",
    ): "schema 0 has no tables, and then there are some: the next comparison finds the same",
    (_FILE, "_connect: uri=True  ->  uri=False"): "a SQLite that was built to take URIs always takes them",
    (_FILE, "_tables: row[0]  ->  row[1]"): _SQL_TELLS,
    (_FILE, "_tables: row[0]  ->  row[-1]"): _SQL_TELLS,
    (
        _FILE,
        "_set_journal: connection.execute(f'PRAGMA journal_mode = {mode}').fetchone()[0]"
        "  ->  connection.execute(f'PRAGMA journal_mode = {mode}').fetchone()[-1]",
    ): _ONE_COLUMN,
    (
        _FILE,
        "_set_journal: connection.execute('PRAGMA synchronous').fetchone()[0]"
        "  ->  connection.execute('PRAGMA synchronous').fetchone()[-1]",
    ): _ONE_COLUMN,
    (_RECOVERY, "_is_missed: return False  ->  return None"): _TRUTH,
    (_RECOVERY, "_is_missed: return False  ->  return None (2)"): _TRUTH,
}

_TUNING = "tuning: how long something may take, which no test should hold fast"

#: A test could notice these, and would only say the number a second time.
TUNING: dict[tuple[str, str], str] = {
    (_FILE, "module: BUSY_TIMEOUT_S = 10.0  ->  BUSY_TIMEOUT_S = 11.0"): _TUNING,
    (_FILE, "module: BUSY_TIMEOUT_S = 10.0  ->  BUSY_TIMEOUT_S = 9.0"): _TUNING,
    (_FILE, "module: 64 << 20  ->  65 << 20"): _TUNING,
    (_FILE, "module: 64 << 20  ->  63 << 20"): _TUNING,
    (_FILE, "module: 64 << 20  ->  64 << 21"): _TUNING,
    (_FILE, "module: 64 << 20  ->  64 << 19"): _TUNING,
}
