"""The walls around a child, tried from inside by a plugin that means harm, in children of the real starter; and each layer by itself."""

from __future__ import annotations

import json
import os
import socket
import stat
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from walled_kit import Walled

from drydown.jobs.attempts import Attempts
from drydown.jobs.forks import Starter
from drydown.jobs.sandbox import landlock, seccomp
from drydown.jobs.sandbox.walls import LAYERS, Layer
from drydown.jobs.spec import AttemptResult


def lacking(layer: Layer) -> str:
    """Why this machine has not got a layer; empty where it has."""
    try:
        landlock.abi() if layer == "landlock" else seccomp.machine()
    except OSError as error:
        return f"this machine has no {layer}: {error}"
    return ""


def needs(*layers: Layer) -> None:
    for layer in layers:
        if why := lacking(layer):
            pytest.skip(why)


@pytest.fixture(scope="module")
def walled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walled]:
    made = Walled(tmp_path_factory.mktemp("walled"))
    assert made.starter.sandbox().layers == tuple(layer for layer in LAYERS if not lacking(layer))
    yield made
    made.starter.close()


WRITES = ("home/x", "prints/mine__x.tif", "taken/b.jpg", "state/work/other/1/x", "plugins/more.py", "../x")


@pytest.mark.parametrize("where", WRITES)
def test_a_new_file_outside_the_attempts_folder_is_refused(walled: Walled, where: str) -> None:
    needs("landlock")
    assert walled.does("create", walled.root / where) == "refused"
    assert not (walled.root / where).exists()


@pytest.mark.parametrize(
    "where", [Path(tempfile.gettempdir()) / "drydown-walled", Path.home() / "drydown-walled"]
)
def test_the_systems_own_folders_are_refused(walled: Walled, where: Path) -> None:
    needs("landlock")
    assert walled.does("create", where) == "refused"
    assert not where.exists()


@pytest.mark.parametrize("do", ["append", "unlink", "rename", "take", "link"])
def test_the_original_can_be_read_and_nothing_else(walled: Walled, do: str) -> None:
    needs("landlock")
    before = walled.original.stat()
    assert walled.does("read", walled.original) == "went through"
    assert walled.does(do, walled.original) == "refused"
    after = walled.original.stat()
    assert walled.original.read_bytes() == b"picture"
    assert (after.st_ino, after.st_nlink, after.st_ctime_ns) == (before.st_ino, 1, before.st_ctime_ns)


@pytest.mark.parametrize("do", ["truncate", "chmod", "fchmod", "chown", "touch", "xattr"])
def test_what_landlock_leaves_free_seccomp_refuses(walled: Walled, do: str) -> None:
    needs("seccomp")
    before = walled.original.stat()
    assert walled.does(do, walled.original) == "refused"
    assert walled.original.stat() == before


def test_other_jobs_and_the_ledger_are_out_of_reach(walled: Walled) -> None:
    needs("landlock")
    sheet, ledger = walled.other / "sheet.tif", walled.root / "state" / "ledger.db"
    for do in ("read", "append", "unlink"):
        assert walled.does(do, sheet) == walled.does(do, ledger) == "refused"
    assert walled.does("mkdir", walled.other) == walled.does("list", walled.other) == "refused"
    assert walled.does("read", Path("/etc/hostname")) == "refused"


def test_nothing_that_leads_elsewhere_is_made_in_the_folder(walled: Walled) -> None:
    needs("landlock")
    assert walled.does("symlink", walled.original) == walled.does("fifo") == "refused"


@pytest.mark.parametrize("do", ["run", "exec", "fork", "unshare", "listen"])
def test_no_program_process_or_door_is_opened(walled: Walled, do: str) -> None:
    needs("seccomp")
    assert walled.does(do) == "refused"


def test_nobody_is_called(walled: Walled) -> None:
    needs("seccomp")
    door = walled.root / "door"
    with socket.create_server(("127.0.0.1", 0)) as tcp, socket.socket(socket.AF_UNIX) as unix:
        unix.bind(str(door))
        unix.listen()
        assert walled.does("tcp", pid=tcp.getsockname()[1]) == "refused"
        assert walled.does("unix", door) == "refused"
    door.unlink()


@pytest.mark.parametrize("do", ["kill", "limit", "ptrace"])
def test_the_daemon_and_the_starter_are_out_of_reach(walled: Walled, do: str) -> None:
    needs("seccomp")
    assert walled.starter.pid is not None
    assert walled.does(do, pid=os.getpid()) == walled.does(do, pid=walled.starter.pid) == "refused"


def test_the_daemons_memory_and_environment_are_out_of_reach(walled: Walled) -> None:
    needs("landlock")
    assert walled.does("memory", pid=os.getpid()) == walled.does("environ", pid=os.getpid()) == "refused"


def test_what_a_step_needs_still_works(walled: Walled) -> None:
    assert walled.does("own") == "went through"
    assert walled.does("late") == "went through", "modules can still be imported"
    assert "SIGKILL" in walled.does("suicide"), "a process may end itself"


def test_threads_start_and_are_inside(walled: Walled) -> None:
    needs("seccomp")
    assert walled.does("thread") == "refused"


def test_a_child_that_is_inside_still_ends_with_its_daemon(walled: Walled, tmp_path: Path) -> None:
    starter = Starter([walled.plugin], cores=1)
    attempts = Attempts(starter, tmp_path / "work")
    slow = walled.spec("read", Path("/dev/zero"))  # never comes to its end
    said: list[AttemptResult] = []
    thread = threading.Thread(target=lambda: said.append(attempts(slow, 1)))
    thread.start()
    while (pid := attempts.pid(slow.job)) is None:
        thread.join(0.02)
    starter.close()
    thread.join(30)
    assert said[0].outcome == "machine", "its end is nobody's fault"
    assert not Path(f"/proc/{pid}").exists() or _is_zombie(pid)


def _is_zombie(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def test_what_an_attempt_leaves_is_for_its_owner_only(walled: Walled) -> None:
    spec = walled.spec("own")
    walled.attempts(spec, 1)
    folder = walled.attempts.folder(spec.job, 1)
    modes: dict[str, Any] = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert {"spec.json", "child.log", "result.json"} <= modes.keys()
    assert set(modes.values()) == {0o600}
    for one in (folder, folder.parent):
        assert stat.S_IMODE(one.stat().st_mode) == 0o700
    assert json.loads((folder / "result.json").read_bytes())["job"] == spec.job
