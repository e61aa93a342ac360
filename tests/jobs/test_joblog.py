"""The job log: one object a line, whatever is put in, and never a reason to stop."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path

import pytest
from jobs_kit import Clock

from drydown.jobs.joblog import LINE_CHARS_MAX, JobLog, line


@pytest.fixture
def log(tmp_path: Path) -> JobLog:
    return JobLog(tmp_path / "jobs.log", clock=Clock(1_800_000_000.25))


def lines(log: JobLog) -> list[dict[str, object]]:
    return [json.loads(text) for text in log.path.read_text("utf-8").splitlines()]


def test_a_line_says_version_time_job_and_event_first(log: JobLog) -> None:
    assert log.write("completed", "job1aaaa", seconds=1.5, outputs=["a.tif"])
    text = log.path.read_text()
    assert text.startswith('{"log": 1, "time": "2027-01-1') and text.endswith("}\n")
    assert list(lines(log)[0]) == ["log", "time", "job", "event", "seconds", "outputs"]
    assert lines(log)[0]["outputs"] == ["a.tif"]


def test_details_cannot_pose_as_the_head_of_a_line(log: JobLog) -> None:
    log.write("held", "job1aaaa", log=99, time="never", reason="x")
    assert (lines(log)[0]["log"], lines(log)[0]["reason"]) == (1, "x")


@pytest.mark.parametrize(
    "name",
    [
        "evt\nfake",
        "\x1b[2J",
        "\x7f",
        "\x9b31m",
        "a\u202egpj.exe",
        "zero\u200bwidth",
        "\u2028",
        "\udcff\udcfe",
        "\U000e0041",
        "\r\n",
        "\0",
    ],
)
def test_a_name_can_neither_forge_a_line_nor_drive_a_terminal(log: JobLog, name: str) -> None:
    log.write("claimed", "job1aaaa", source=name)
    data = log.path.read_bytes()
    assert data.count(b"\n") == 1
    text = data.decode("utf-8").rstrip("\n")
    assert not [
        letter
        for letter in text
        if unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp", "Cn", "Co")
    ]
    assert json.loads(text)["source"] == name


def test_letters_of_any_script_stay_readable(log: JobLog) -> None:
    log.write("claimed", "job1aaaa", source="Küste é 日本 🎞.tif")
    assert "Küste é 日本 🎞.tif" in log.path.read_text("utf-8")


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), {1: 2}, {(1, 2): 3}, object, b"\xff", Path("/a"), {"x"}]
)
def test_anything_can_be_written(log: JobLog, value: object) -> None:
    assert log.write("event", value=value)
    assert len(lines(log)) == 1


def test_a_ring_and_a_giant_are_written_too(log: JobLog) -> None:
    ring: list[object] = []
    ring.append(ring)
    assert log.write("ring", ring=ring)
    assert log.write("giant", "job1aaaa", text="\x00" * 1_000_000)
    assert lines(log)[1]["job"] == "job1aaaa"
    assert len(line({"event": "x", "text": "a" * 10 * LINE_CHARS_MAX})) < LINE_CHARS_MAX


def test_lines_that_a_full_disk_swallows_are_counted_and_told_when_there_is_room_again(
    log: JobLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    log.write("one")
    monkeypatch.setattr(os, "write", _full)
    assert not log.write("two")
    assert not log.write("three")
    assert log.lost == 2
    monkeypatch.undo()
    assert log.write("four")
    assert [record["event"] for record in lines(log)] == ["one", "lines lost", "four"]
    assert (lines(log)[1]["lines"], log.lost) == (2, 0)


def _full(fd: int, data: bytes) -> int:
    raise OSError(28, "No space left on device")


def test_a_line_that_was_cut_in_the_middle_does_not_spoil_the_next(
    log: JobLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real(fd, data[:10]))
    assert not log.write("one")
    monkeypatch.undo()
    assert log.write("two")
    texts = log.path.read_text().splitlines()
    assert len(texts[0]) == 10
    assert [json.loads(text)["event"] for text in texts[1:]] == ["lines lost", "two"]


def test_a_line_that_an_earlier_run_left_unfinished_does_not_spoil_the_next(log: JobLog) -> None:
    log.path.write_bytes(b'{"log": 1, "ti')
    log.write("two")
    assert json.loads(log.path.read_text().splitlines()[1])["event"] == "two"


def test_a_log_that_was_moved_away_is_begun_anew(log: JobLog) -> None:
    log.write("one")
    log.path.rename(log.path.with_suffix(".1"))
    log.write("two")
    assert [record["event"] for record in lines(log)] == ["two"]
    log.path.unlink()
    log.write("three")
    assert [record["event"] for record in lines(log)] == ["three"]


def test_a_folder_that_is_not_there_yet_loses_lines_and_not_the_program(tmp_path: Path) -> None:
    log = JobLog(tmp_path / "state" / "jobs.log", clock=Clock())
    assert not log.write("one")
    (tmp_path / "state").mkdir()
    assert log.write("two")
    assert [record["event"] for record in lines(log)] == ["lines lost", "two"]


def test_a_closed_log_opens_again(log: JobLog) -> None:
    log.write("one")
    log.close()
    log.close()
    log.write("two")
    assert len(lines(log)) == 2


def _events(path: Path) -> list[str]:
    return [json.loads(text)["event"] for text in path.read_text("utf-8").splitlines()]


def test_a_log_that_has_grown_too_long_goes_on_in_a_new_file_and_no_line_is_cut_or_lost(
    tmp_path: Path,
) -> None:
    log = JobLog(tmp_path / "jobs.log", clock=Clock(), limit_bytes=1000, kept=50)
    for number in range(200):
        assert log.write(f"event {number}", note="x" * (number % 90))
    files = [log.path, *(tmp_path / f"jobs.log.{n}" for n in range(1, len(list(tmp_path.iterdir()))))]
    assert len(files) > 10 and all(file.stat().st_size <= 1000 for file in files)
    assert [event for file in reversed(files) for event in _events(file)] == [
        f"event {n}" for n in range(200)
    ]
    assert all(file.stat().st_mode & 0o777 == 0o600 for file in files)


def test_only_the_oldest_numbers_go(tmp_path: Path) -> None:
    log = JobLog(tmp_path / "jobs.log", clock=Clock(), limit_bytes=1, kept=2)
    for number in range(6):
        log.write(f"event {number}")
    assert {path.name: _events(path) for path in tmp_path.iterdir()} == {
        "jobs.log": ["event 5"],
        "jobs.log.1": ["event 4"],
        "jobs.log.2": ["event 3"],
    }


def test_where_the_numbers_cannot_move_the_log_grows_on(tmp_path: Path) -> None:
    log = JobLog(tmp_path / "jobs.log", clock=Clock(), limit_bytes=1, kept=2)
    (tmp_path / "jobs.log.1").mkdir()
    (tmp_path / "jobs.log.1" / "in-the-way").touch()
    (tmp_path / "jobs.log.2").touch()
    for number in range(4):
        assert log.write(f"event {number}")
    assert _events(log.path) == [f"event {number}" for number in range(4)]


def test_somebody_elses_rotation_at_any_time_costs_no_line(tmp_path: Path) -> None:
    """By a rename between any two lines, with our own rotation going on beside it."""
    import random

    rng = random.Random(5)
    log = JobLog(tmp_path / "jobs.log", clock=Clock(), limit_bytes=700, kept=500)
    for number in range(300):
        if rng.random() < 0.2 and log.path.exists():
            log.path.rename(tmp_path / f"away-{number:04}")
        log.write(f"event {number}")
    events = [event for path in tmp_path.iterdir() for event in _events(path)]
    assert sorted(events, key=lambda event: int(event.split()[1])) == [f"event {n}" for n in range(300)]


def test_a_log_that_was_copied_and_cut_goes_on_at_its_beginning(log: JobLog) -> None:
    log.write("one")
    os.truncate(log.path, 0)
    log.write("two")
    assert log.path.read_bytes()[:1] == b"{" and _events(log.path) == ["two"]
