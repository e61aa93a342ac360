"""Where the studios of the tests of jobs lie, and how their plugin files are tried."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from drydown.discovery import tryout


@pytest.fixture(autouse=True, scope="module")
def forked() -> Iterator[None]:
    """See tests/discovery/conftest.py."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tryout, "_alone", lambda: True)
        yield


@pytest.fixture
def quick_path(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: a disk lets each job wait for dozens of syncs, and these tests ask for none of them."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        yield Path(folder)


@pytest.fixture
def other_path(tmp_path: Path, quick_path: Path) -> Path:
    """A folder on another file system than `quick_path`."""
    if tmp_path.stat().st_dev == quick_path.stat().st_dev:
        pytest.skip("no second file system at hand")
    return tmp_path
