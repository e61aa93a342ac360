"""Removing what a child has left: as deep, as locked and as misleading as it likes."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drydown.jobs.removing import remove_tree


@contextmanager
def nested(top: Path, depth: int, name: str) -> Iterator[None]:
    """Folders in folders, each with a file, deeper than any path can say. Gone afterwards in any case: pytest could not remove them."""
    try:
        _nest(top, depth, name)
        yield
    finally:
        subprocess.run(["rm", "-rf", "--", top], check=True)


def _nest(top: Path, depth: int, name: str) -> None:
    top.mkdir()
    at = os.open(top, os.O_RDONLY)
    for _ in range(depth):
        os.close(os.open("file", os.O_CREAT | os.O_WRONLY, dir_fd=at))
        os.mkdir(name, dir_fd=at)
        below = os.open(name, os.O_RDONLY, dir_fd=at)
        os.close(at)
        at = below
    os.close(at)


def test_folders_nested_beyond_every_path_and_every_recursion_go(tmp_path: Path) -> None:
    with nested(tmp_path / "tree", 3000, "n" * 200):
        remove_tree(tmp_path / "tree")
        assert not list(tmp_path.iterdir())


def test_a_wide_tree_of_equal_names_goes(tmp_path: Path) -> None:
    for path in ("a/a/a", "a/b/a", "b/a/a", "b/b"):
        (tmp_path / "tree" / path).mkdir(parents=True)
        (tmp_path / "tree" / path / "file").write_text("x")
    remove_tree(tmp_path / "tree")
    assert not list(tmp_path.iterdir())


def test_links_go_and_what_they_lead_to_stays_as_it_is(tmp_path: Path) -> None:
    kept, tree = tmp_path / "kept", tmp_path / "tree"
    (kept / "below").mkdir(parents=True, mode=0o750)
    (kept / "file").write_text("kept")
    kept.chmod(0o750)
    (tree / "sub").mkdir(parents=True)
    for place in (tree, tree / "sub"):
        (place / "folder").symlink_to(kept)
        (place / "file").symlink_to(kept / "file")
        (place / "nowhere").symlink_to("gone")
        os.mkfifo(place / "pipe")
    remove_tree(tree)
    assert [path.name for path in tmp_path.iterdir()] == ["kept"]
    assert sorted(path.name for path in kept.iterdir()) == ["below", "file"]
    assert kept.stat().st_mode & 0o777 == 0o750


def test_a_link_in_the_place_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "file").write_text("kept")
    (tmp_path / "tree").symlink_to("kept")
    remove_tree(tmp_path / "tree")
    assert (tmp_path / "kept" / "file").read_text() == "kept"


def test_folders_that_nobody_may_enter_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    locked = [tmp_path / path for path in ("tree/a/b", "tree/a", "tree/c", "tree")]
    for path in (*locked[::-1], tmp_path):
        path.mkdir(exist_ok=True)
    (tmp_path / "tree/a/b/file").write_text("x")
    monkeypatch.chdir(tmp_path)
    user = os.geteuid()
    other = user or 65534  # nothing is locked to the superuser
    for path in (*locked, tmp_path):
        os.chown(path, other, -1)
    for path in locked:
        path.chmod(0)
    os.seteuid(other)
    try:
        remove_tree(Path("tree"))
    finally:
        os.seteuid(user)
    assert not list(tmp_path.iterdir())


def test_what_cannot_go_stays_and_the_rest_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a/busy", "b/free"):
        (tmp_path / "tree" / name).mkdir(parents=True)
        (tmp_path / "tree" / name / f"{name[2:]}.txt").write_text("x")
    unlink = os.unlink

    def busy(path: str, *, dir_fd: int | None = None) -> None:
        if path == "busy.txt":
            raise OSError(16, "Device or resource busy")
        unlink(path, dir_fd=dir_fd)

    with monkeypatch.context() as patch:
        patch.setattr(os, "unlink", busy)
        remove_tree(tmp_path / "tree")
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["busy.txt"]
    remove_tree(tmp_path / "tree")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_nothing_to_say(tmp_path: Path) -> None:
    remove_tree(tmp_path / "gone")
    (tmp_path / "file").write_text("x")
    remove_tree(tmp_path / "file")
    assert (tmp_path / "file").exists()
