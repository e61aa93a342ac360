from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from intake_bench import crash_at, steps_of

from drydown import durable
from drydown.durable import (
    GoneInRename,
    copy_durable,
    fsync_dir,
    is_unfinished,
    make_dir,
    move_durable,
    rename_durable,
    write_atomic,
)

FailAt = Callable[[str, OSError], None]


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_written_whole_or_not_at_all_whenever_the_program_dies(tmp_path: Path) -> None:
    path = tmp_path / "note.json"
    steps = steps_of(write_atomic, path, b"old")
    for n in range(steps):
        assert crash_at(n, write_atomic, path, b"new" * 1000)
        assert path.read_bytes() in (b"old", b"new" * 1000)
        assert all(is_unfinished(name) for name in names(tmp_path) if name != "note.json")
        path.write_bytes(b"old")
    assert not crash_at(steps, write_atomic, path, b"new")
    assert path.read_bytes() == b"new"


def test_the_content_is_synced_before_its_name_and_the_name_before_the_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    monkeypatch.setattr(durable, "on_step", said.append)
    write_atomic(tmp_path / "a", b"x")
    assert [step for step in said if step.endswith(".done")] == [
        "write.done",
        "fsync.done",
        "rename.done",
        "fsync-folder.done",
    ]


@pytest.mark.parametrize("step", ["write", "fsync", "rename", "fsync.done"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EDQUOT, errno.EROFS])
def test_when_the_disk_says_no_the_old_content_stands_and_nothing_is_left(
    tmp_path: Path, fail_at: FailAt, step: str, code: int
) -> None:
    path = tmp_path / "note.json"
    path.write_bytes(b"old")
    fail_at(step, OSError(code, os.strerror(code)))
    with pytest.raises(OSError, match=os.strerror(code)):
        write_atomic(path, b"new")
    assert path.read_bytes() == b"old" and names(tmp_path) == ["note.json"]


def test_a_rename_syncs_both_folders_the_new_one_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("from", "to"):
        (tmp_path / name).mkdir()
    (tmp_path / "from" / "a").write_bytes(b"x")
    inodes, real = [], os.fsync

    def fsync(fd: int) -> None:
        inodes.append(os.fstat(fd).st_ino)
        real(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    rename_durable(tmp_path / "from" / "a", tmp_path / "to" / "b")
    assert inodes == [(tmp_path / "to").stat().st_ino, (tmp_path / "from").stat().st_ino]


@pytest.mark.parametrize("has_call", [True, False])
def test_nothing_is_ever_overwritten_unless_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_call: bool
) -> None:
    if not has_call:
        monkeypatch.setattr(durable, "_renameat2", lambda: None)
    for name in ("a", "b"):
        (tmp_path / name).write_text(name)
    with pytest.raises(FileExistsError):
        rename_durable(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_text() == "b"
    rename_durable(tmp_path / "a", tmp_path / "c")
    rename_durable(tmp_path / "c", tmp_path / "b", replace=True)
    assert names(tmp_path) == ["b"] and (tmp_path / "b").read_text() == "a"


def test_a_rename_that_happened_and_then_said_no_such_file_counts_as_done(
    tmp_path: Path, fail_at: FailAt
) -> None:
    (tmp_path / "a").write_bytes(b"x")
    fail_at("rename.done", FileNotFoundError(errno.ENOENT, "No such file or directory"))
    rename_durable(tmp_path / "a", tmp_path / "b")
    assert names(tmp_path) == ["b"]


def test_a_rename_that_did_not_happen_is_an_error_even_if_a_file_of_that_name_is_there(
    tmp_path: Path, fail_at: FailAt
) -> None:
    (tmp_path / "a").write_bytes(b"x")
    (tmp_path / "b").write_bytes(b"y")
    fail_at("rename", OSError(errno.EIO, "Input/output error"))
    with pytest.raises(OSError, match="Input/output"):
        rename_durable(tmp_path / "a", tmp_path / "b", replace=True)
    with pytest.raises(FileNotFoundError):
        rename_durable(tmp_path / "nothing", tmp_path / "c")
    assert names(tmp_path) == ["a", "b"]


def test_a_file_that_is_gone_after_a_rename_is_told_from_one_that_was_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(b"x")

    def collect_and_lose_the_answer(step: str) -> None:
        if step == "rename.done":
            (tmp_path / "b").unlink()
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")

    monkeypatch.setattr(durable, "on_step", collect_and_lose_the_answer)
    with pytest.raises(GoneInRename, match="No such file"):
        rename_durable(tmp_path / "a", tmp_path / "b")
    for there, nowhere in (("c", "nowhere/d"), (None, "d")):  # no folder to go to, and nothing to go
        if there:
            (tmp_path / there).touch()
        with pytest.raises(FileNotFoundError) as found:
            rename_durable(tmp_path / "c", tmp_path / nowhere)
        assert type(found.value) is FileNotFoundError
        (tmp_path / "c").unlink(missing_ok=True)


def test_a_folder_that_exists_is_not_made_again(tmp_path: Path) -> None:
    make_dir(tmp_path / "job")
    assert (tmp_path / "job").stat().st_mode & 0o777 == 0o700
    with pytest.raises(FileExistsError):
        make_dir(tmp_path / "job")


def test_a_file_system_without_synced_folders_is_taken_at_its_word(tmp_path: Path, fail_at: FailAt) -> None:
    fail_at("fsync-folder", OSError(errno.EINVAL, "Invalid argument"))
    fsync_dir(tmp_path)
    fail_at("fsync-folder", OSError(errno.EIO, "Input/output error"))
    with pytest.raises(OSError, match="Input/output"):
        fsync_dir(tmp_path)


def test_a_copy_is_whole_and_leaves_its_source(tmp_path: Path) -> None:
    data = os.urandom(5_000_000)
    (tmp_path / "a").write_bytes(data)
    (tmp_path / "link").symlink_to("a")
    assert copy_durable(tmp_path / "link", tmp_path / "b").st_size == len(data)
    assert (tmp_path / "b").read_bytes() == data == (tmp_path / "a").read_bytes()
    with pytest.raises(FileExistsError):
        copy_durable(tmp_path / "a", tmp_path / "b")
    assert names(tmp_path) == ["a", "b", "link"]


def test_a_source_that_changes_while_it_is_copied_is_not_copied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(b"x")

    def grow(step: str) -> None:
        if step == "write.done":
            (tmp_path / "a").write_bytes(b"longer")

    monkeypatch.setattr(durable, "on_step", grow)
    with pytest.raises(BlockingIOError):
        copy_durable(tmp_path / "a", tmp_path / "b")
    assert names(tmp_path) == ["a"]


def test_a_copy_that_does_not_read_back_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").write_bytes(b"x")

    def spoil(step: str) -> None:
        if step == "fsync.done":
            next(path for path in tmp_path.iterdir() if is_unfinished(path.name)).write_bytes(b"y")

    monkeypatch.setattr(durable, "on_step", spoil)
    with pytest.raises(OSError, match="read back"):
        copy_durable(tmp_path / "a", tmp_path / "b")
    assert names(tmp_path) == ["a"]


@pytest.mark.parametrize("source", ["fifo", "folder"])
def test_only_files_are_copied(tmp_path: Path, source: str) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError, match=r"not a regular file|directory"):
        copy_durable(tmp_path / source, tmp_path / "b")


def test_a_move_to_another_file_system_never_has_less_than_one_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:

    source, target = tmp_path / "from" / "a", tmp_path / "to" / "a"
    for folder in (source.parent, target.parent):
        folder.mkdir()
    real = durable._rename_new

    def rename(src: durable.AnyPath, dst: durable.AnyPath, a: int | None, b: int | None) -> None:
        if Path(src).parent != Path(dst).parent:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        real(src, dst, a, b)

    monkeypatch.setattr(durable, "_rename_new", rename)

    def fresh() -> None:
        for path in (*source.parent.iterdir(), *target.parent.iterdir()):
            path.unlink()
        source.write_bytes(b"a picture")

    fresh()
    steps = steps_of(move_durable, source, target)
    assert target.read_bytes() == b"a picture" and not source.exists()
    for n in range(steps):
        fresh()
        assert crash_at(n, move_durable, source, target)
        whole = [path for path in (source, target) if path.exists() and path.read_bytes() == b"a picture"]
        assert whole
        assert not target.exists() or target in whole
