"""What a failing file system under the ledger comes to, one call at a time; every call is the row `io-errors`."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drydown.errors import Exit
from tests.torture.faulty_kit import Schedule, Studio, forking, missing
from tests.torture.io_errors import Bench

pytestmark = pytest.mark.skipif(bool(missing()), reason=f"needs {missing()}")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    with forking(bench.shim) as bench.context:
        yield bench


def test_a_full_disk_under_the_ledger_is_waited_out_by_the_same_process(bench: Bench) -> None:
    calls = bench.run(Schedule("pwrite"), with_children=False).calls
    verdict = bench.run(Schedule("pwrite", calls * 6 // 10, "ENOSPC", sticky=True), with_children=False)
    assert verdict.hits and (verdict.complaints, verdict.ends) == ((), ())


def test_a_sync_of_the_ledger_that_fails_ends_the_program_and_the_next_start_recovers(bench: Bench) -> None:
    calls = bench.run(Schedule("fdatasync"), with_children=False).calls
    verdict = bench.run(Schedule("fdatasync", calls * 6 // 10, "EIO"), with_children=False)
    assert (verdict.hits, verdict.complaints, verdict.ends) == (1, (), (Exit.MACHINE,))


def test_a_run_of_the_command_line_ends_with_the_machines_exit_code(tmp_path: Path) -> None:
    bench, studio = Bench(tmp_path), Studio(tmp_path, Schedule("fdatasync", 15))
    studio.lay_out(bench.profile)
    command = [sys.executable, "-m", "drydown", "--studio", str(studio.root), "run", "small"]
    command.append(str(tmp_path / "picture.jpg"))
    faulty = os.environ | studio.environment(bench.shim)
    first = subprocess.run(command, env=faulty, capture_output=True, text=True)
    assert first.returncode == Exit.MACHINE and "start again to recover" in first.stderr, first.stderr
    assert "Traceback" not in first.stderr
    assert subprocess.run(command, capture_output=True).returncode == 0
