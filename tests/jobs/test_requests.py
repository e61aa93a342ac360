"""Requests to a running daemon: taken once, answered once, never repeated, never late."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from drydown import durable
from drydown.errors import Exit, MachineFault
from drydown.jobs import requests
from drydown.jobs.requests import Answer, BadRequest, answer, ask, clean, follow, recover, take, waiting

NOW = 1_800_000_000.0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "requests"


class Waiting:
    """A monotonic clock that only sleeping moves; `then` happens during the n-th sleep."""

    def __init__(self, then: Callable[[], None] | None = None, at: int = 3) -> None:
        self.now, self.slept, self.then, self.at = 0.0, 0, then, at

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        self.slept += 1
        if self.slept == self.at and self.then is not None:
            self.then()


def raw(folder: Path, data: object, name: str = "0123456789ab") -> str:
    folder.mkdir(exist_ok=True)
    content = data if isinstance(data, bytes) else json.dumps(data).encode()
    (folder / f"{name}.json").write_bytes(content)
    return name


def good(**changes: object) -> dict[str, object]:
    return {
        "request": 1,
        "verb": "retry",
        "args": {"job": "7f3a"},
        "made": NOW,
        "expires": NOW + 30,
    } | changes


def test_a_request_is_taken_done_answered_and_gone(folder: Path) -> None:
    name = ask(folder, "run", {"recipe": "shoreline", "files": ["/a/b.tif"], "sheet": None}, now=NOW)
    assert waiting(folder) == [name]
    request = take(folder, name, now=NOW + 1)
    assert request is not None
    assert (request.verb, request.args) == ("run", {"recipe": "shoreline", "files": ["/a/b.tif"]})
    assert waiting(folder) == []
    answer(folder, name, Answer(Exit.OK, "1 picture is queued", {"jobs": ["7f3a"]}))
    at = Waiting()
    given = follow(folder, name, clock=at.clock, sleep=at.sleep)
    assert given == Answer(Exit.OK, "1 picture is queued", {"jobs": ["7f3a"]})
    assert at.slept == 0
    assert list(folder.iterdir()) == []


def test_requests_are_taken_in_the_order_in_which_they_were_made(folder: Path) -> None:
    names = [ask(folder, "cancel", {"job": f"job{number}"}, now=NOW + number) for number in range(5)]
    assert waiting(folder) == names


def test_the_asking_side_waits_for_the_answer(folder: Path) -> None:
    name = ask(folder, "approve", {"job": "7f3a"}, now=NOW)

    def serve() -> None:
        assert take(folder, name, now=NOW) is not None
        answer(folder, name, Answer(Exit.CONFLICT, "job 7f3a is completed"))

    at = Waiting(serve)
    assert follow(folder, name, clock=at.clock, sleep=at.sleep).exit is Exit.CONFLICT
    assert at.slept == 3


def test_a_request_that_nobody_takes_is_withdrawn(folder: Path) -> None:
    name = ask(folder, "retry", {"job": "7f3a"}, now=NOW)
    at = Waiting()
    with pytest.raises(MachineFault, match="withdrawn"):
        follow(folder, name, clock=at.clock, sleep=at.sleep, deadline_s=2.0)
    assert waiting(folder) == []
    assert take(folder, name, now=NOW) is None


def test_a_request_that_was_taken_and_is_not_answered_in_time_is_not_called_undone(folder: Path) -> None:
    name = ask(folder, "retry", {"job": "7f3a"}, now=NOW)
    take(folder, name, now=NOW)
    at = Waiting()
    with pytest.raises(MachineFault, match=r"took the request.*drydown jobs"):
        follow(folder, name, clock=at.clock, sleep=at.sleep, deadline_s=2.0)


def test_a_request_is_void_once_its_time_is_over(folder: Path) -> None:
    name = ask(folder, "run", {"recipe": "shoreline", "files": ["a"]}, now=NOW, deadline_s=30)
    assert take(folder, name, now=NOW + 31) is None
    at = Waiting()
    assert follow(folder, name, clock=at.clock, sleep=at.sleep).exit is Exit.BUSY


def test_an_end_of_the_daemon_in_the_middle_is_answered_and_nothing_is_done_again(folder: Path) -> None:
    name = ask(folder, "run", {"recipe": "shoreline", "files": ["a"]}, now=NOW)
    take(folder, name, now=NOW)
    assert recover(folder) == 1
    assert waiting(folder) == []
    at = Waiting()
    given = follow(folder, name, clock=at.clock, sleep=at.sleep)
    assert given.exit is Exit.MACHINE and "drydown jobs" in given.message
    assert recover(folder) == 0


def test_an_answer_that_was_written_before_the_end_stands(folder: Path) -> None:
    name = ask(folder, "retry", {"job": "7f3a"}, now=NOW)
    take(folder, name, now=NOW)
    (folder / f"{name}.taken.json").rename(folder / "kept")
    answer(folder, name, Answer(Exit.OK, "done"))
    (folder / "kept").rename(folder / f"{name}.taken.json")
    assert recover(folder) == 1
    at = Waiting()
    assert follow(folder, name, clock=at.clock, sleep=at.sleep) == Answer(Exit.OK, "done", {})
    assert list(folder.iterdir()) == []


def test_names_that_are_no_text_come_over(folder: Path) -> None:
    path = os.fsdecode(b"/a/\xff\xfe\n.tif")
    name = ask(folder, "run", {"recipe": "shoreline", "files": [path]}, now=NOW)
    request = take(folder, name, now=NOW)
    assert request is not None and os.fsencode(request.args["files"][0]) == b"/a/\xff\xfe\n.tif"


@pytest.mark.parametrize(
    ("verb", "args", "why"),
    [
        ("print", {"job": "a"}, "there is no request 'print'"),
        ("retry", {}, "needs job"),
        ("retry", {"job": 7}, "'job' of 'retry' must be a str, not int"),
        ("retry", {"job": "a", "anyway": 1}, "must be a bool, not int"),
        ("retry", {"jobb": "a"}, "knows no argument 'jobb'; it knows job, anyway"),
        ("run", {"recipe": "a", "files": ["a", 1]}, "texts only"),
        ("run", {"recipe": "a"}, "needs files"),
        ("choose", {"job": "a", "patches": ["B2"], "settings": {"a": [1]}}, "plain values only"),
    ],
)
def test_a_request_that_says_what_it_should_not_is_refused_before_it_is_left(
    folder: Path, verb: str, args: dict[str, object], why: str
) -> None:
    with pytest.raises(BadRequest, match=why.replace("(", r"\(")):
        ask(folder, verb, args, now=NOW)
    assert not folder.exists()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff\xfe",
        b"[" * 100_000,
        good(request=2),
        good(verb=["retry"]),
        good(verb="sudo"),
        good(args=[]),
        good(args={"job": None}),
        good(made="now"),
        good(expires=True),
        good(more=1),
        {"request": 1},
        b'{"request": 1, "verb": "retry", "args": {"job": "'
        + b"a" * requests.BYTES_MAX
        + b'"}, "made": 1, "expires": 2}',
    ],
    ids=range(16),
)
def test_a_file_that_is_no_request_is_answered_and_does_not_stop_the_others(
    folder: Path, content: object
) -> None:
    name = raw(folder, content)
    other = ask(folder, "cancel", {"job": "7f3a"}, now=NOW)
    assert take(folder, name, now=NOW) is None
    at = Waiting()
    given = follow(folder, name, clock=at.clock, sleep=at.sleep)
    assert given.exit is Exit.USAGE and "cannot be understood" in given.message
    assert waiting(folder) == [other]


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_only_plain_files_are_read(folder: Path, kind: str, tmp_path: Path) -> None:
    folder.mkdir()
    path = folder / "0123456789ab.json"
    if kind == "link":
        (tmp_path / "secret").write_text(json.dumps(good()))
        path.symlink_to(tmp_path / "secret")
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.mkdir()
    assert waiting(folder) == []
    if kind != "folder":
        assert take(folder, "0123456789ab", now=NOW) is None


@pytest.mark.parametrize(
    "name",
    [
        ".x.json",
        "UPPER12345.json",
        "a b c d e.json",
        "0123456789ab.json~",
        "notes.txt",
        "../0123456789ab.json",
    ],
)
def test_other_files_in_the_folder_are_left_alone(folder: Path, name: str) -> None:
    folder.mkdir()
    path = folder / name
    path.write_text("mine")
    assert waiting(folder) == []
    clean(folder, now=NOW * 2)
    assert path.read_text() == "mine"


def test_answers_that_nobody_fetches_and_half_written_files_are_removed_after_an_hour(folder: Path) -> None:
    folder.mkdir()
    stale = [
        folder / "0123456789ab.answer.json",
        folder / f"{durable.UNFINISHED_PREFIX}00{durable.UNFINISHED_SUFFIX}",
    ]
    for path in stale:
        path.write_text("{}")
        os.utime(path, (NOW, NOW))
    request = ask(folder, "cancel", {"job": "7f3a"}, now=NOW)
    assert clean(folder, now=NOW + 3500) == 0
    assert clean(folder, now=NOW + 3700) == 2
    assert waiting(folder) == [request]


def test_a_folder_that_is_not_there_holds_nothing(folder: Path) -> None:
    assert (waiting(folder), recover(folder), clean(folder, now=NOW)) == ([], 0, 0)


def test_requests_are_for_their_owner_only(folder: Path) -> None:
    name = ask(folder, "cancel", {"job": "7f3a"}, now=NOW)
    assert folder.stat().st_mode & 0o077 == 0
    assert (folder / f"{name}.json").stat().st_mode & 0o077 == 0
