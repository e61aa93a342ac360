"""What the daemon believes of a child that nothing encloses: a complete answer of the right attempt, and no link, pipe or flood in its place."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest
from tests.e2e.warm import starters
from walled_kit import Walled

from drydown.errors import Hold, Refusal, StepCrashed
from drydown.jobs import child
from drydown.jobs.left import is_own_file, read_plain, tail
from drydown.jobs.sandbox.found import Sandbox


@pytest.fixture(scope="module", params=["off", "available"])
def at(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walled]:
    wanted: Sandbox = request.param
    with starters():
        made = Walled(tmp_path_factory.mktemp("answers"), sandbox=wanted)
        yield made
        made.starter.close()


NO_ANSWERS = (
    "link",
    "pipe",
    "folder",
    "nested",
    "long",
    "more",
    "other-job",
    "other-attempt",
    "log-pipe",
    "original",
)


@pytest.mark.parametrize("kind", NO_ANSWERS)
def test_what_is_no_answer_is_not_believed(at: Walled, kind: str) -> None:
    told = at.does("answer", Path(kind))
    refused_inside = told == "refused" and kind in ("link", "pipe", "log-pipe", "original")
    assert (
        told.startswith("crashed: the job's process ended with code 0 without a complete result")
        or refused_inside
    )
    assert at.original.read_bytes() == b"picture"


def test_a_complete_answer_is_believed(at: Walled) -> None:
    assert at.does("answer", Path("good")) == "No."


def test_no_text_of_an_answer_moves_a_terminal(at: Walled) -> None:
    assert at.does("answer", Path("loud")) == r"\x1b[2J\u202eNo.\n   done"
    assert at.does("answer", Path("shouting")).endswith(r": \x1b[2J gone")


def test_too_many_open_files_are_the_childs_own_fault(at: Walled) -> None:
    told = at.does("handles")
    assert told.startswith("crashed: ") and "Too many open files" in told


def test_a_reason_is_legible_and_not_endless(at: Walled) -> None:
    told = at.does("lone")
    assert told.startswith("crashed: ") and "half a letter: \\ud800xxx" in told and len(told) < 2100


@pytest.mark.parametrize("do", ["hang", "deaf"])
def test_at_its_deadline_a_child_says_where_it_was_if_it_listens(at: Walled, do: str) -> None:
    result = at.attempts(at.spec(do, deadline_s=0.6), 1)
    assert result.outcome == "killed"
    assert result.reason.startswith("it ran longer than the deadline of 0.6 s")
    assert ("; it was in bad.py line" in result.reason and "(plainly)" in result.reason) == (do == "hang")


def test_what_the_walls_refuse_is_told_with_what_a_step_may_do(at: Walled) -> None:
    told = at.does("write", at.root / "home" / "x")
    if "landlock" not in at.starter.sandbox().layers:
        assert "it went through" in told, "off means off"
        return
    assert "Permission denied" in told and "A step may write below job.scratch only" in told


def test_the_end_of_a_long_log_is_read_without_the_rest(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with log.open("wb") as file:
        file.truncate(1 << 32)  # a hole: it takes no space, but would take all memory
        file.seek(0, os.SEEK_END)
        file.write(b"\nthe last line\n")
    assert tail(log, 100).endswith("the last line")
    with pytest.raises(ValueError, match="longer than 100 bytes"):
        read_plain(log, 100)


def test_a_file_with_two_names_is_not_ones_own(tmp_path: Path) -> None:
    one = tmp_path / "one"
    one.write_bytes(b"1")
    assert is_own_file(one) and read_plain(one, 1) == b"1"
    os.link(one, tmp_path / "two")
    (tmp_path / "led").symlink_to(one)
    assert not is_own_file(one) and not is_own_file(tmp_path / "led")
    assert tail(tmp_path / "led", 10) == tail(tmp_path / "none", 10) == ""


STEP = StepCrashed("border", "a studio", "read error")
#: what ended the attempt and why, how often the source could be read until it could not, what comes of it, how often it was read
ENDS = [
    (Refusal("It is cut off."), None, 0, "machine", 1),
    (Refusal("It is cut off."), None, 9, "refused", 1),
    (Refusal("It could not be opened."), RuntimeError("read error"), 1, "machine", 2),
    (Refusal("It could not be opened."), RuntimeError("read error"), 9, "refused", 2),
    (STEP, RuntimeError("read error"), 1, "machine", 2),
    (STEP, RuntimeError("read error"), 9, "crashed", 2),
    (MemoryError(), None, 9, "crashed", 2),
    (Hold("It has no profile."), None, 9, "held", 1),
]


@pytest.mark.parametrize(("error", "because", "good", "outcome", "reads"), ENDS)
def test_a_source_that_the_machine_cannot_read_is_neither_refused_nor_a_steps_fault(
    at: Walled,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    because: Exception | None,
    good: int,
    outcome: str,
    reads: int,
) -> None:
    """Found by a share that went stale: libtiff said "read error", and the picture was refused for good."""
    read: list[Path] = []

    def end(work: object) -> NoReturn:
        raise error from because

    def hashed(path: Path) -> str:
        read.append(path)
        if len(read) > good:
            raise OSError(errno.ESTALE, "Stale file handle")
        return "0"

    monkeypatch.setattr(child, "_make", end)
    monkeypatch.setattr(child, "file_hash", hashed)
    result = child.attempt(at.spec("read"), 1, tmp_path)
    assert (result.outcome, len(read)) == (outcome, reads)
    assert ("cannot be read: [Errno" in result.reason) == (outcome == "machine")


def test_a_picture_that_is_written_to_while_it_is_printed_is_printed_anew(
    at: Walled, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = at.spec("read")

    def late_writer(work: object) -> tuple[tuple[()], dict[str, str]]:
        with spec.source.open("r+b") as file:
            file.write(b"x")
        return (), {}

    monkeypatch.setattr(child, "_make", late_writer)
    result = child.attempt(spec, 1, tmp_path)
    assert (result.outcome, "was written to" in result.reason) == ("machine", True)
