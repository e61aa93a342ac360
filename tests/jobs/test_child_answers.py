"""What the daemon believes of a child that nothing encloses: a complete answer of the right attempt, and no link, pipe or flood in its place."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.e2e.warm import starters
from walled_kit import Walled

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
