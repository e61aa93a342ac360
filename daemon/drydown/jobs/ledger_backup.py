"""A copy of the ledger that is whole, made while the daemon goes on writing: by SQLite's own backup, never by copying the file."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path

from drydown import durable
from drydown.errors import MachineFault
from drydown.jobs.ledger_file import open_to_read, sorted_error


def back_up_ledger(ledger: Path, target: Path) -> None:
    """Write a copy to `target`, which must not exist; checked page by page and synced before it gets its name.

    Raises NotFound where there is no ledger, FileExistsError, MachineFault, OSError.
    """
    if os.path.lexists(target):
        raise FileExistsError(17, "there is a file already", str(target))
    aside = target.with_name(f"{durable.UNFINISHED_PREFIX}{target.name}{durable.UNFINISHED_SUFFIX}")
    aside.unlink(missing_ok=True)
    os.close(os.open(aside, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, 0o600))
    try:
        with (
            contextlib.closing(open_to_read(ledger)) as source,
            contextlib.closing(sqlite3.connect(aside, isolation_level=None)) as copy,
        ):
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            found = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if found != "ok":
            raise MachineFault(f"the copy of the ledger is damaged ({found}); try again on another disk")
        fd = os.open(aside, os.O_RDONLY | os.O_CLOEXEC)
        try:
            durable.fsync_file(fd)
        finally:
            os.close(fd)
        durable.rename_durable(aside, target)
    except sqlite3.Error as error:
        raise sorted_error(error, ledger) from error
    finally:
        aside.unlink(missing_ok=True)
