"""Hot folders together: who is scanned with whom, what is told of once, and that a hung share stops nobody else."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drydown.intake import folderscan
from drydown.intake.apart import Apart
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder, set_up
from drydown.intake.found import Found
from drydown.service.doors import TELL_AFTER_S, TELL_EVERY_S, Doors
from drydown.studio.settings import DaemonTable

DEADLINE_S = 20.0  #: only reached when a test fails
SETTINGS = DaemonTable(quiet_s=0.3, network_quiet_s=1, rescan_s=2)


class Kinds:
    """What each folder is said to lie on; `local` where nothing is said."""

    def __init__(self) -> None:
        self.of: dict[str, Kind] = {}

    def __call__(self, path: Path) -> Kind:
        return self.of.get(path.name, "local")


@pytest.fixture
def kinds() -> Kinds:
    return Kinds()


@pytest.fixture
def folders(tmp_path: Path) -> list[HotFolder]:
    return [
        HotFolder(name, tmp_path / name, set_up(tmp_path / name, name)) for name in ("proof", "final", "nas")
    ]


@contextlib.contextmanager
def opened(folders: list[HotFolder], kinds: Kinds) -> Iterator[Doors]:
    doors = Doors(folders, SETTINGS, lambda _path: None, kinds)
    try:
        yield doors
    finally:
        doors.close()


def look(doors: Doors, now: float, want: int = 9, everything: bool = True) -> Found:
    return doors.look(now, frozenset(), everything=everything, want=want)


def test_folders_of_this_machine_share_a_scanner_and_each_share_has_its_own(
    folders: list[HotFolder], kinds: Kinds
) -> None:
    kinds.of = {"nas": "network", "final": "unknown"}
    with opened(folders, kinds) as doors:
        assert sum(isinstance(one, Apart) for one in doors._scanners) == 2
        assert [state.folder for state in doors.states(0.0, 1)] == ["proof", "final", "nas"]
        assert [doors.mode(name)[0] for name in ("proof", "final", "nas")] == ["events", "rescan", "rescan"]
        assert any("nas: by rescans only (a share" in line for line in doors.modes())


def test_a_share_that_hangs_keeps_no_other_folder_waiting_and_nobody_from_ending(
    folders: list[HotFolder], kinds: Kinds, monkeypatch: pytest.MonkeyPatch
) -> None:
    kinds.of = {"nas": "network"}
    back, real = threading.Event(), folderscan.opened

    @contextlib.contextmanager
    def hanging(folder: HotFolder) -> Iterator[int]:
        if folder.name == "nas":
            assert back.wait(DEADLINE_S)
        with real(folder) as fd:
            yield fd

    monkeypatch.setattr(folderscan, "opened", hanging)
    (folders[0].path / "a.jpg").write_bytes(b"a picture")
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        assert [ready.name for ready in look(doors, 101.0).ready] == ["a.jpg"]
        found = look(doors, 130.0)
        assert any("does not answer" in trouble.what for trouble in found.problems)
    assert all(thread.daemon for thread in threading.enumerate() if thread.name == "share")
    back.set()


def test_a_share_that_is_mounted_later_gets_a_scanner_of_its_own(
    folders: list[HotFolder], kinds: Kinds, tmp_path: Path
) -> None:
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        assert not any(isinstance(one, Apart) for one in doors._scanners)
        (tmp_path / "nas").rename(tmp_path / "empty mount point")
        set_up(tmp_path / "nas", "nas")
        kinds.of = {"nas": "network"}
        assert look(doors, 103.0).returned == ("nas",)
        assert sum(isinstance(one, Apart) for one in doors._scanners) == 1
        (tmp_path / "nas" / "a.jpg").write_bytes(b"a picture")
        look(doors, 104.0)
        assert [ready.folder.name for ready in look(doors, 106.0).ready] == ["nas"]


def test_room_is_shared_by_turns_between_this_machine_and_a_share(
    folders: list[HotFolder], kinds: Kinds
) -> None:
    kinds.of = {"nas": "network"}
    for number in range(5):
        for folder in (folders[0], folders[2]):
            (folder.path / f"{number}.jpg").write_bytes(b"a picture")
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        first = {look(doors, 102.0 + turn, want=1).ready[0].folder.name for turn in range(2)}
        assert first == {"proof", "nas"} and doors.more


def test_pictures_that_wait_for_room_are_told_to_be_there(folders: list[HotFolder], kinds: Kinds) -> None:
    """Else a daemon with a full folder would sleep until its next full look, a minute at 10,000 files."""
    for number in range(5):
        (folders[0].path / f"{number}.jpg").write_bytes(b"a picture")
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        assert not doors.more
        assert len(look(doors, 101.0, want=2).ready) == 2 and doors.more
        assert len(look(doors, 101.1, want=0, everything=False).ready) == 0 and doors.more
        assert doors.next_at > 101.5
        assert len(look(doors, 101.2, want=9, everything=False).ready) == 3 and not doors.more


def test_a_file_that_a_person_must_see_to_is_told_once_and_again_when_it_came_anew(
    folders: list[HotFolder], kinds: Kinds
) -> None:
    link = folders[0].path / "a.jpg"
    link.symlink_to("/etc/hostname")
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        assert doors.overdue(100.0) == []
        now = 100.0 + TELL_AFTER_S + TELL_EVERY_S
        look(doors, now)
        assert [one.relative for one in doors.overdue(now)] == ["a.jpg"]
        assert doors.overdue(now + TELL_EVERY_S) == []
        link.unlink()
        look(doors, now + 10)
        doors.overdue(now + 10)
        assert doors._told == set()  # forgotten, or a year's files would be kept
        link.symlink_to("/etc/hostname")
        look(doors, now + 20)
        look(doors, now + 60)
        assert len(doors.overdue(now + 60)) == 1


def test_a_watcher_that_died_is_mended_at_the_next_look(folders: list[HotFolder], kinds: Kinds) -> None:
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        backend = doors._watcher._backend
        assert backend is not None
        backend.stop()
        assert not doors._watcher.alive()
        (folders[0].path / "a.jpg").write_bytes(b"a picture")
        assert look(doors, 100.1, everything=False).waiting == 1  # all is looked at, not only what was told
        assert doors._watcher.alive() and doors._watcher.restarts == 1


def test_what_the_watcher_complains_of_makes_the_next_look_one_at_everything(
    folders: list[HotFolder], kinds: Kinds
) -> None:
    with opened(folders, kinds) as doors:
        look(doors, 100.0)
        (folders[0].path / "a.jpg").write_bytes(b"a picture")
        assert look(doors, 100.1, everything=False).waiting == 0
        logging.getLogger("watchdog.observers.inotify_c").warning("queue \x1b overflowed")
        assert look(doors, 100.2, everything=False).waiting == 1
        assert doors.complaints == [r"queue \x1b overflowed"]
    assert doors._watcher._complaints not in logging.getLogger("watchdog").handlers


def test_a_jump_of_the_clock_moves_nothing(
    folders: list[HotFolder], kinds: Kinds, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Durations are monotonic, and time stamps are only compared with themselves: a picture is ready when its quiet time is over."""
    with opened(folders, kinds) as doors:
        for name, wall in (("a.jpg", 0.0), ("b.jpg", 4e9)):
            monkeypatch.setattr(time, "time", lambda wall=wall: wall)
            (folders[0].path / name).write_bytes(b"a picture")
            look(doors, 100.0)
        monkeypatch.setattr(time, "time", lambda: -1e9)
        assert [ready.name for ready in look(doors, 100.4).ready] == ["a.jpg", "b.jpg"]
