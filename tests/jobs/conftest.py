"""How the plugin files of the tests of jobs are tried, and another file system for those that ask for one."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(autouse=True, scope="module")
def _forked(forked_tries: None) -> None:
    """See tests/conftest.py."""


@pytest.fixture
def other_path(tmp_path: Path) -> Iterator[Path]:
    """A folder on another file system than `tmp_path`."""
    with tempfile.TemporaryDirectory() as folder:
        if Path(folder).stat().st_dev == tmp_path.stat().st_dev:
            pytest.skip("no second file system at hand")
        yield Path(folder)
