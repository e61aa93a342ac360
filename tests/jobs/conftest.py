"""How the plugin files of the tests of jobs are tried, ledgers closed after each, and another file system for those that ask for one."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drydown.jobs import ledger


@pytest.fixture(autouse=True, scope="module")
def _forked(forked_tries: None) -> None:
    """See tests/conftest.py."""


@pytest.fixture(autouse=True)
def _closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A ledger that a test leaves open, as a daemon does that is killed, is closed after it: from Python 3.13 on each one is complained of."""
    opened: list[sqlite3.Connection] = []
    really = ledger.open_to_write

    def remembered(*given: Any, **options: Any) -> sqlite3.Connection:
        opened.append(really(*given, **options))
        return opened[-1]

    monkeypatch.setattr(ledger, "open_to_write", remembered)
    yield
    for connection in opened:
        connection.close()


@pytest.fixture
def other_path(tmp_path: Path) -> Iterator[Path]:
    """A folder on another file system than `tmp_path`."""
    with tempfile.TemporaryDirectory() as folder:
        if Path(folder).stat().st_dev == tmp_path.stat().st_dev:
            pytest.skip("no second file system at hand")
        yield Path(folder)
