"""Texts that break a parser rather than a rule of its format are faults like any other; none may end the daemon that reads them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drydown.errors import Fault
from drydown.intake import record
from drydown.jobs import requests
from drydown.jobs.requests import Answer
from drydown.studio.toml_file import read_toml


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = " + "[" * 100_000, "nested too deeply"),
        ("a = " + "{a=" * 20_000, "nested too deeply"),
        ("a = " + "9" * 5000, "a number in it is too long"),
    ],
)
def test_a_pictures_own_settings_that_break_the_parser_are_a_fault(
    tmp_path: Path, text: str, says: str
) -> None:
    (tmp_path / "a.toml").write_text(text)
    found = read_toml(tmp_path / "a.toml", "a.toml")
    assert isinstance(found, Fault) and says in found.reason


def test_a_request_with_times_beyond_all_time_is_answered(tmp_path: Path) -> None:
    huge = "9" * 400
    text = f'{{"request": 1, "verb": "cancel", "args": {{"job": "x"}}, "made": {huge}, "expires": {huge}}}'
    (tmp_path / "aaaaaaaa.json").write_text(text)
    assert requests.take(tmp_path, "aaaaaaaa", now=1.0) is None
    answer = requests.follow(tmp_path, "aaaaaaaa", clock=lambda: 0.0, sleep=lambda _: None)
    assert isinstance(answer, Answer) and "beyond all time" in answer.message


def test_a_note_with_a_time_beyond_all_time_is_none(tmp_path: Path) -> None:
    look = '"ino": 2, "size": 3, "mtime_ns": 4, "ctime_ns": 5'
    rest = '"within_hex": "", "name_hex": "61", "settings": null, "dropped_hex": "61", "copied": false'
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for digits, read in ((1, True), (400, False)):
            text = f'{{"note": 1, "job": "j", "folder": "f", {look}, {rest}, "taken_at_s": {"9" * digits}}}'
            (tmp_path / record.NOTE).write_text(text)
            assert (record.read(fd) is not None) is read
    finally:
        os.close(fd)
