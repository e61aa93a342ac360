"""The starter ends with its daemon also while it is still importing, which takes seconds on a busy machine."""

from __future__ import annotations

import fcntl
import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drydown.errors import Exit
from drydown.jobs.forks import Starter
from drydown.jobs.limits import Limits


@pytest.mark.parametrize("number", [3, 1100], ids=["few files open", "above what select(2) takes"])
def test_a_starter_whose_daemon_is_gone_does_not_finish_its_imports(tmp_path: Path, number: int) -> None:
    (tmp_path / "slow.py").write_text(
        "import pathlib, time\n"
        f"pathlib.Path({str(tmp_path / 'begun')!r}).touch()\n"
        "time.sleep(60)\n"
        f"pathlib.Path({str(tmp_path / 'finished')!r}).touch()\n"
    )
    origin = {"module": "slow", "file": str(tmp_path / "slow.py"), "offered_by": "slow", "blake3": ""}
    ours, theirs = socket.socketpair()
    given, daemons_end = os.pipe()
    lifeline = fcntl.fcntl(given, fcntl.F_DUPFD_CLOEXEC, number)
    os.close(given)
    command = [sys.executable, "-m", "drydown.jobs.starter", str(theirs.fileno()), str(lifeline)]
    with ours, subprocess.Popen(command, pass_fds=(theirs.fileno(), lifeline)) as starter:
        theirs.close()
        os.close(lifeline)
        ours.sendall(json.dumps({"preload": [origin]}).encode() + b"\n")
        while not (tmp_path / "begun").exists() and starter.poll() is None:
            time.sleep(0.02)
        os.close(daemons_end)
        assert starter.wait(50) == 0
    assert (tmp_path / "begun").exists() and not (tmp_path / "finished").exists()


def test_a_starter_whose_daemon_goes_while_it_speaks_ends_without_a_word() -> None:
    """Found by a lasting EIO at the 367th open: a daemon that leaves its studio for a while closes its starter's socket."""
    ours, theirs = socket.socketpair()
    lifeline, daemons_end = os.pipe()
    command = [sys.executable, "-m", "drydown.jobs.starter", str(theirs.fileno()), str(lifeline)]
    ours.sendall(json.dumps({"preload": []}).encode() + b"\n")
    ours.close()
    with subprocess.Popen(command, pass_fds=(theirs.fileno(), lifeline), stderr=subprocess.PIPE) as starter:
        theirs.close()
        said = starter.communicate(timeout=50)[1]
    os.close(lifeline)
    os.close(daemons_end)
    assert (starter.returncode, said) == (0, b"")


def test_a_child_whose_folder_is_gone_says_so_in_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    starter = Starter((), cores=1, sandbox="off", scratch=tmp_path)
    try:
        limits = Limits(memory_mb=512, cpu_s=10, file_mb=16)
        child = starter.fork("gone", tmp_path / "gone", 1, limits)
        assert child.ended.result(60) == Exit.MACHINE
    finally:
        starter.close()
    said = capfd.readouterr().err
    assert "cannot open its log" in said and said.count("\n") == 1
