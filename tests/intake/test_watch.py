from __future__ import annotations

import errno
import os
import queue
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from watchdog.observers.inotify import InotifyEmitter
from watchdog.observers.inotify_c import InotifyConstants

from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder, set_up
from drydown.intake.watch import Mode, Watcher, _Backend

DEADLINE_S = 20.0  #: only reached when a test fails

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the limits are those of inotify"
)


class Heard:
    def __init__(self) -> None:
        self.paths: queue.Queue[str] = queue.Queue()

    def wait_for(self, path: Path) -> None:
        while self.paths.get(timeout=DEADLINE_S) != str(path):
            pass


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def watcher(hot: HotFolder, heard: Heard) -> Iterator[Watcher]:
    watcher = Watcher([hot], heard.paths.put, lambda _path: "local")
    watcher.start()
    yield watcher
    watcher.stop()


def test_written_moved_and_saved_files_and_new_folders_are_told(
    hot: HotFolder, watcher: Watcher, heard: Heard, tmp_path: Path
) -> None:
    assert watcher.modes == {"final": Mode("events")} and watcher.alive()
    (hot.path / "a.jpg").write_bytes(b"x")
    heard.wait_for(hot.path / "a.jpg")
    (tmp_path / "b.jpg").write_bytes(b"x")
    (tmp_path / "b.jpg").rename(hot.path / "b.jpg")
    heard.wait_for(hot.path / "b.jpg")
    (hot.path / ".c.jpg.Xa93").write_bytes(b"x")
    (hot.path / ".c.jpg.Xa93").rename(hot.path / "c.jpg")
    heard.wait_for(hot.path / "c.jpg")
    (hot.path / "wedding").mkdir()
    heard.wait_for(hot.path / "wedding")


def test_a_name_that_is_no_text_is_told_like_any_other(
    hot: HotFolder, watcher: Watcher, heard: Heard
) -> None:
    path = Path(os.fsdecode(os.fsencode(hot.path) + b"/\xff\xfe\n.jpg"))
    path.write_bytes(b"x")
    heard.wait_for(path)


def test_reading_and_claiming_are_not_told_so_that_the_daemon_does_not_wake_itself(
    hot: HotFolder, watcher: Watcher, heard: Heard
) -> None:
    (hot.path / "a.jpg").write_bytes(b"x")
    heard.wait_for(hot.path / "a.jpg")
    for _ in range(3):
        (hot.path / "a.jpg").read_bytes()
    (hot.path / "a.jpg").rename(hot.path / ".taken" / "a.jpg")
    (hot.path / "end.jpg").write_bytes(b"x")
    told = set()
    while "end.jpg" not in told:
        told.add(Path(heard.paths.get(timeout=DEADLINE_S)).name)
    while not heard.paths.empty():
        told.add(Path(heard.paths.get()).name)
    assert told <= {"a.jpg", "end.jpg"}


def test_a_wake_that_raises_does_not_end_the_watch(hot: HotFolder, heard: Heard) -> None:
    def wake(path: str) -> None:
        heard.paths.put(path)
        raise SystemExit("a handler must never do this")

    watcher = Watcher([hot], wake, lambda _path: "local")
    watcher.start()
    try:
        for name in ("a.jpg", "b.jpg"):
            (hot.path / name).write_bytes(b"x")
            heard.wait_for(hot.path / name)
        assert watcher.alive()
        assert watcher.faults >= 2
    finally:
        watcher.stop()


def test_a_folder_reached_through_a_link_is_told_under_its_configured_path(
    hot: HotFolder, heard: Heard, tmp_path: Path
) -> None:
    (tmp_path / "link").symlink_to(hot.path)
    watcher = Watcher([HotFolder("final", tmp_path / "link")], heard.paths.put, lambda _path: "local")
    watcher.start()
    try:
        (hot.path / "a.jpg").write_bytes(b"x")
        heard.wait_for(tmp_path / "link" / "a.jpg")
    finally:
        watcher.stop()


def test_a_dead_watch_is_noticed_and_can_be_started_again(
    hot: HotFolder, watcher: Watcher, heard: Heard, tmp_path: Path
) -> None:
    backend = watcher._backend
    assert backend is not None and backend._inotify is not None
    backend._inotify.stop()
    backend._inotify.join(DEADLINE_S)
    assert not watcher.alive()
    watcher.restart()
    assert watcher.alive() and watcher.restarts == 1
    (hot.path / "a.jpg").write_bytes(b"x")
    heard.wait_for(hot.path / "a.jpg")


def test_a_deleted_folder_ends_its_watch_and_a_new_one_is_watched_after_a_restart(
    hot: HotFolder, watcher: Watcher, heard: Heard
) -> None:
    emitter = next(iter(watcher._backend._observer.emitters))  # type: ignore[union-attr]
    for path in (hot.path / ".drydown-folder",):
        path.unlink()
    (hot.path / ".taken").rmdir()
    hot.path.rmdir()
    emitter.join(DEADLINE_S)
    assert not watcher.alive()
    watcher.restart()
    assert watcher.modes["final"].how == "rescan" and watcher.alive()
    set_up(hot.path, "folder-1")
    watcher.restart()
    (hot.path / "a.jpg").write_bytes(b"x")
    heard.wait_for(hot.path / "a.jpg")


def test_departures_are_not_asked_for_since_they_would_hold_up_the_next_arrival(watcher: Watcher) -> None:
    backend = watcher._backend
    assert backend is not None
    (emitter,) = backend._observer.emitters
    assert isinstance(emitter, InotifyEmitter)
    mask = emitter.get_event_mask_from_filter()
    assert mask & InotifyConstants.IN_MOVED_TO and not mask & InotifyConstants.IN_MOVED_FROM


@pytest.mark.parametrize("kind", ["network", "unknown"])
def test_on_a_share_there_are_rescans_only(hot: HotFolder, heard: Heard, kind: Kind) -> None:
    watcher = Watcher([hot], heard.paths.put, lambda _path: kind)
    watcher.start()
    try:
        assert watcher.modes["final"].how == "rescan" and "share" in watcher.modes["final"].why
        assert watcher.alive()
    finally:
        watcher.stop()


@pytest.mark.parametrize(
    ("code", "sysctl"),
    [(errno.ENOSPC, "fs.inotify.max_user_watches"), (errno.EMFILE, "fs.inotify.max_user_instances")],
)
def test_a_limit_of_the_kernel_is_named_with_its_remedy_and_the_other_folders_are_watched(
    hot: HotFolder, heard: Heard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, sysctl: str
) -> None:
    set_up(tmp_path / "second", "folder-2")
    real = _Backend.watch

    def watch(self: _Backend, handler: Any, path: str) -> None:
        if path.endswith("second"):
            raise OSError(code, "inotify limit reached")
        real(self, handler, path)

    monkeypatch.setattr(_Backend, "watch", watch)
    watcher = Watcher([hot, HotFolder("second", tmp_path / "second")], heard.paths.put, lambda _path: "local")
    watcher.start()
    try:
        assert watcher.modes["final"] == Mode("events")
        assert watcher.modes["second"].how == "rescan" and sysctl in watcher.modes["second"].why
        assert watcher.alive()
    finally:
        watcher.stop()


def test_without_any_watch_at_all_the_rescans_go_on(
    hot: HotFolder, heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left() -> _Backend:
        raise OSError(errno.EMFILE, "inotify instance limit reached")

    monkeypatch.setattr("drydown.intake.watch._Backend", none_left)
    watcher = Watcher([hot], heard.paths.put, lambda _path: "local")
    watcher.start()
    assert "max_user_instances" in watcher.modes["final"].why and watcher.alive()
    watcher.stop()


def test_stopping_ends_every_thread(hot: HotFolder, heard: Heard) -> None:
    import threading

    before = set(threading.enumerate())
    watcher = Watcher([hot], heard.paths.put, lambda _path: "local")
    watcher.start()
    watcher.stop()
    watcher.stop()
    assert [thread for thread in set(threading.enumerate()) - before if thread.is_alive()] == []
