"""A page that cannot be made becomes a note: the sheet goes out without it. A machine's fault stays the machine's."""

from __future__ import annotations

import errno
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from drydown.api import Note
from drydown.jobs.seeing import write_page


def failing(error: BaseException) -> Future[Any]:
    made: Future[Any] = Future()
    made.set_exception(error)
    return made


def test_a_page_that_cannot_be_made_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    notes: list[Note] = []
    nothing: Any = None
    said = write_page(
        tmp_path / "page.html", nothing, nothing, nothing, nothing, failing(ValueError("odd\n")), notes
    )
    assert said == {} and not list(tmp_path.iterdir())
    assert [(note.text, note.level) for note in notes] == [
        (r"its page could not be made: ValueError: odd\n", "warning")
    ]


def test_a_full_disk_is_no_fault_of_the_page(tmp_path: Path) -> None:
    full = OSError(errno.ENOSPC, "no space")
    nothing: Any = None
    with pytest.raises(OSError, match="no space"):
        write_page(tmp_path / "page.html", nothing, nothing, nothing, nothing, failing(full), [])
