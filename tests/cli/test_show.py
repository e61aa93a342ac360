"""How work is shown: one line a change where nobody watches, a live line where somebody does."""

from __future__ import annotations

import contextlib
import errno
import io
import sys
from types import SimpleNamespace
from typing import Any, cast

import pytest
from rich.console import Console
from rich.progress import Progress

from drydown.cli.live import LiveLine, live_line
from drydown.cli.show import PlainLines, lines_of
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.states import STATES, Stage
from drydown.service.daemon import Status

NOTES = [
    {"step": "resample", "level": "warning", "text": "200 ppi, and 218 are asked for"},
    {"step": "sharpen", "level": "note", "text": "strength 0.40"},
    {"step": "", "level": "warning", "text": "read as sRGB"},
]


def row(stage: Stage, *, job: str = "1m890bj2ft0p6", reason: str = "", sheet: str = "") -> JobRow:
    fields: dict[str, Any] = {
        "id": job,
        "stage": stage,
        "state": STATES[stage],
        "is_final": stage in (Stage.DONE, Stage.FAILED, Stage.CANCELLED),
        "source_name": "harbour.tif",
        "reason": reason,
        "sheet_name": sheet,
        "result_data": {"notes": NOTES},
    }
    return cast(JobRow, SimpleNamespace(**fields))


def test_a_line_says_state_job_picture_and_why() -> None:
    assert lines_of(row(Stage.HELD, reason="Look at the crop.")) == (
        "   HELD  1m890bj2ft0p6  harbour.tif: Look at the crop."
    )
    assert lines_of(row(Stage.DONE, sheet="harbour__1m890bj2ft0p6.tif")).splitlines() == [
        "   done  1m890bj2ft0p6  harbour.tif -> harbour__1m890bj2ft0p6.tif",
        "           resample: 200 ppi, and 218 are asked for",
        "           reading: read as sRGB",
    ]


def test_plain_lines_tell_each_state_once_on_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    plain = PlainLines()
    for stage in (Stage.CLAIMED, Stage.RUNNING, Stage.STAGED, Stage.PUBLISHING, Stage.DONE):
        plain.job(row(stage))
    told = capsys.readouterr()
    assert told.out == ""
    assert [line.split()[0] for line in told.err.splitlines()] == ["waits", "at", "done"]


def test_the_live_line_is_drawn_only_when_something_has_changed() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=100)
    with Progress(console=console, auto_refresh=False) as progress:
        live = LiveLine(progress)
        live.job(row(Stage.RUNNING))
        live.status(Status(3, 2, ("1m890bj2ft0p6",), ("hot/final is offline [really]",)))
        drawn = out.getvalue()
        assert "at work: harbour.tif" in drawn and "2 queued" in drawn and "3 in the hot folders" in drawn
        assert "[really]" in drawn, "a name in brackets is no markup"
        for _ in range(50):
            live.status(Status(3, 2, ("1m890bj2ft0p6",), ("hot/final is offline [really]",)))
        assert out.getvalue() == drawn
        live.job(row(Stage.DONE))
        assert "done" in out.getvalue().removeprefix(drawn)


class Sick(io.StringIO):
    """A terminal, or a log, that takes nothing."""

    encoding = "utf-8"

    def __init__(self, error: OSError) -> None:
        super().__init__()
        self.error, self.asked = error, 0

    def write(self, text: str, /) -> int:
        self.asked += 1
        raise self.error

    def flush(self) -> None:
        raise self.error

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    "error", [OSError(errno.ENOSPC, "full"), BrokenPipeError(errno.EPIPE, "gone")], ids=["full", "gone"]
)
@pytest.mark.parametrize("live", [False, True], ids=["plain", "live"])
def test_a_line_that_cannot_be_written_ends_nothing(
    monkeypatch: pytest.MonkeyPatch, error: OSError, live: bool
) -> None:
    """Found by a log on a full disk: the daemon ended because it could not say what it did."""
    sick = Sick(error)
    monkeypatch.setattr(sys, "stderr", sick)
    with live_line() if live else contextlib.nullcontext(PlainLines()) as shown:
        shown.job(row(Stage.DONE))
        shown.say("a sentence")
        shown.status(Status(3, 2, (), ()))
        shown.total(5)
    assert sick.asked
