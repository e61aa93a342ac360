"""One process a studio."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drydown.errors import Busy, Exit
from drydown.jobs.lock import StudioLock, is_held, owner


def test_a_second_owner_is_refused_and_told_who_the_first_is(tmp_path: Path) -> None:
    with StudioLock.take(tmp_path / "lock", what="drydown watch"):
        with pytest.raises(Busy, match=rf"process {os.getpid()} \(drydown watch\)") as caught:
            StudioLock.take(tmp_path / "lock")
        assert caught.value.exit_code is Exit.BUSY
    assert int(Exit.BUSY) == 75  # EX_TEMPFAIL of BSD's sysexits.h
    StudioLock.take(tmp_path / "lock").release()


def test_the_file_stays_when_the_lock_goes(tmp_path: Path) -> None:
    StudioLock.take(tmp_path / "lock").release()
    inode = (tmp_path / "lock").stat().st_ino
    StudioLock.take(tmp_path / "lock").release()
    assert (tmp_path / "lock").stat().st_ino == inode


def test_letting_go_twice_is_harmless(tmp_path: Path) -> None:
    lock = StudioLock.take(tmp_path / "lock")
    lock.release()
    lock.release()


def test_the_lock_goes_however_its_owner_ends(tmp_path: Path) -> None:
    code = (
        "import os, sys, pathlib; from drydown.jobs.lock import StudioLock\n"
        "lock = StudioLock.take(pathlib.Path(sys.argv[1])); print('held', flush=True); sys.stdin.read(); os._exit(9)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "lock")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None and process.stdout.readline() == b"held\n"
        assert is_held(tmp_path / "lock")
        with pytest.raises(Busy, match=f"process {process.pid}"):
            StudioLock.take(tmp_path / "lock")
        process.kill()
        process.wait()
    assert not is_held(tmp_path / "lock")
    StudioLock.take(tmp_path / "lock").release()


def test_a_left_over_child_does_not_keep_the_studio_locked(tmp_path: Path) -> None:
    lock = StudioLock.take(tmp_path / "lock")
    read, write = os.pipe()
    lives_read, lives_write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(write)
        os.write(lives_write, b"!")
        os.read(read, 1)  # lives on until told
        os._exit(0)
    os.close(read)
    try:
        os.read(lives_read, 1)
        lock.release()
        StudioLock.take(tmp_path / "lock").release()
    finally:
        for fd in (write, lives_read, lives_write):
            os.close(fd)
        os.waitpid(pid, 0)


def test_a_program_that_is_started_does_not_inherit_the_lock(tmp_path: Path) -> None:
    lock = StudioLock.take(tmp_path / "lock")
    assert not os.get_inheritable(lock._fd)
    lock.release()


def test_a_lock_that_nobody_made_is_not_held(tmp_path: Path) -> None:
    assert not is_held(tmp_path / "lock")


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"no number", b"12\x1b[2J\n", b"12 \x1b[2J\n"])
def test_whatever_stands_in_the_file_the_owner_is_shown_harmlessly(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "lock").write_bytes(content)
    assert owner(tmp_path / "lock").isprintable()
