"""What is left on a disk, what a picture needs of it, and the ballast."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

import pytest
from jobs_kit import a_spec

from drydown.jobs import space
from drydown.jobs.space import INODES, Ballast, bound_bytes, room, shortage

MB = 1 << 20


def disk(
    monkeypatch: pytest.MonkeyPatch, *, free: int, inodes: int = 1000, counted: int = 5000, flag: int = 0
) -> None:
    """From now on every file system has this much left."""
    found = SimpleNamespace(f_bavail=free, f_frsize=1, f_favail=inodes, f_files=counted, f_flag=flag)
    monkeypatch.setattr(space.os, "statvfs", lambda path: found)


def test_the_bound_is_a_sheet_of_four_channels_twice_and_what_lies_beside(tmp_path: Path) -> None:
    spec = a_spec("job1aaaa", prints=tmp_path, source=tmp_path / "a.jpg")  # letter at 360 pixels an inch
    assert bound_bytes(spec) == 2 * (3060 * 3960 * 8) + 8 * MB


def test_what_is_left_is_asked_of_the_nearest_folder_that_is_there(tmp_path: Path) -> None:
    assert room(tmp_path / "not" / "yet").free_bytes > 0
    assert shortage(tmp_path / "not" / "yet", 1) == ""


def test_a_full_disk_is_told_with_both_figures(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    disk(monkeypatch, free=3 * MB)
    assert shortage(tmp_path, 3 * MB) == ""
    said = shortage(tmp_path, 90 * MB)
    assert "disk is full" in said and "3.0 MB are free" in said and "90 MB are needed" in said


def test_used_up_inodes_and_a_read_only_mount_are_called_by_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    disk(monkeypatch, free=900 * MB, inodes=INODES - 1)
    assert "no inodes left" in shortage(tmp_path, 1)
    disk(monkeypatch, free=900 * MB, inodes=0, counted=0)  # a file system that does not count them
    assert shortage(tmp_path, 1) == ""
    disk(monkeypatch, free=900 * MB, flag=os.ST_RDONLY)
    assert "read-only" in shortage(tmp_path, 1)


def test_a_file_system_that_does_not_answer_is_a_shortage(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def stale(path: Path) -> None:
        raise OSError(116, "Stale file handle")

    monkeypatch.setattr(space.os, "statvfs", stale)
    assert "Stale file handle" in shortage(tmp_path, 1)
    Ballast(tmp_path / "ballast", 0).trim()  # raises nothing


def test_the_ballast_takes_real_space_and_is_thrown_off_on_a_full_disk_and_taken_on_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    ballast = Ballast(tmp_path / "ballast", keep_free_bytes=64 * MB)
    ballast.trim()
    found = ballast.path.stat()
    assert found.st_size == found.st_blocks * 512 == space.BALLAST_BYTES and found.st_mode & 0o777 == 0o600
    disk(monkeypatch, free=2 * MB)  # half of it
    ballast.trim()
    assert ballast.path.exists()
    disk(monkeypatch, free=2 * MB - 1)
    ballast.trim()
    assert not ballast.path.exists()
    disk(monkeypatch, free=72 * MB - 1)  # what is kept free, and the ballast twice
    ballast.trim()
    assert not ballast.path.exists()
    disk(monkeypatch, free=72 * MB)
    ballast.trim()
    assert ballast.path.stat().st_size == space.BALLAST_BYTES


def test_a_ballast_that_cannot_be_taken_on_whole_is_not_taken_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def full(fd: int, size: int) -> None:
        os.write(fd, b"0" * 4096)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(space, "_allocate", full)
    ballast = Ballast(tmp_path / "ballast", 0)
    ballast.trim()
    assert not ballast.path.exists()
