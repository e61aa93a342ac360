from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from drydown.intake.folder import MARKER, TAKEN, FolderOffline, HotFolder, below, opened, set_up


def test_setting_up_makes_the_folder_its_private_part_and_its_marker_and_keeps_an_old_identity(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a" / "hot"
    assert set_up(path, "one") == "one" and set_up(path, "two") == "one"
    assert (path / TAKEN).stat().st_mode & 0o777 == 0o700
    assert "please leave it" in (path / MARKER).read_text()


def test_what_a_set_up_that_was_cut_off_has_left_goes_with_the_next_one(tmp_path: Path) -> None:
    left, dropped = tmp_path / ".drydown-0011aabb.part", tmp_path / "a.part"
    for path in (left, dropped):
        path.write_bytes(b"")
    set_up(tmp_path, "one")
    assert not left.exists() and dropped.exists()


def test_a_folder_without_a_known_identity_accepts_any_marker_but_not_none(tmp_path: Path) -> None:
    set_up(tmp_path / "hot", "one")
    with opened(HotFolder("hot", tmp_path / "hot")):
        pass
    (tmp_path / "hot" / MARKER).unlink()
    with pytest.raises(FolderOffline, match="empty mount point"), opened(HotFolder("hot", tmp_path / "hot")):
        pass


@pytest.mark.parametrize("text", [None, 'identity = "two"\n', "damaged\n"])
@pytest.mark.parametrize("known", ["one", ""])
def test_who_does_what_is_said_of_a_marker_has_the_folder_again(
    tmp_path: Path, text: str | None, known: str
) -> None:
    path, folder = tmp_path / "hot", HotFolder("hot", tmp_path / "hot", known)
    set_up(path, "one")
    (path / MARKER).unlink()
    if text is not None:
        (path / MARKER).write_text(text)
    if not known and text and "two" in text:
        with opened(folder):
            return
    with pytest.raises(FolderOffline) as caught, opened(folder):
        pass
    found = re.search(
        r'where this really is the right folder, .* line (.+?"\w+").* in the file (.+)$', str(caught.value)
    )
    assert found and found[1] == f'identity = "{known or "NAME"}"' and found[2] == str(path / MARKER)
    Path(found[2]).write_text(f"{found[1]}\n")
    with opened(folder):
        pass


def test_a_marker_that_is_a_pipe_or_a_link_is_never_followed(tmp_path: Path) -> None:
    set_up(tmp_path / "hot", "one")
    (tmp_path / "hot" / MARKER).rename(tmp_path / "marker")
    (tmp_path / "hot" / MARKER).symlink_to(tmp_path / "marker")
    with pytest.raises(OSError, match="symbolic links"), opened(HotFolder("hot", tmp_path / "hot")):
        pass
    (tmp_path / "hot" / MARKER).unlink()
    os.mkfifo(tmp_path / "hot" / MARKER)
    with pytest.raises(FolderOffline), opened(HotFolder("hot", tmp_path / "hot")):
        pass


def test_what_lies_below_is_never_reached_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "root" / "a" / "b").mkdir(parents=True)
    (tmp_path / "root" / "door").symlink_to(tmp_path / "root" / "a")
    root = os.open(tmp_path / "root", os.O_RDONLY)
    with below(root, "a/b") as fd:
        assert os.fstat(fd).st_ino == (tmp_path / "root" / "a" / "b").stat().st_ino
    for within in ("door", "door/b"):
        with pytest.raises(OSError), below(root, within):
            pass
    os.close(root)
