"""Driving the real daemon: start it, drop pictures as a person would, follow its ledger, stop it."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from drydown.errors import MachineFault
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.lock import is_held
from drydown.jobs.places import Places
from drydown.jobs.states import Stage

START_S = 30.0
STOP_S = 60.0
POLL_S = 0.1


@contextlib.contextmanager
def daemon(root: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`drydown watch` on `root`, ready, for as long as the context lasts. Raises MachineFault where it does not come up."""
    places = Places(root)
    log = root / "state" / "daemon.log"
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "drydown", "--studio", str(root), "watch"],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    try:
        end = time.monotonic() + START_S
        while not (is_held(places.lock) and places.ledger.exists() and b"watching" in log.read_bytes()):
            if process.poll() is not None or time.monotonic() > end:
                raise MachineFault(f"the daemon did not come up; {log} says why")
            time.sleep(POLL_S)
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def drop(pictures: Iterable[tuple[Path, Path]]) -> None:
    """Move each picture into its hot folder, as a person drags it: one rename."""
    for picture, folder in pictures:
        picture.rename(folder / picture.name)


def follow(root: Path, count: int, *, deadline_s: float, show: Callable[[JobRow], None]) -> list[JobRow]:
    """Wait until `count` jobs are final or held, showing each change; answers them oldest first. Raises MachineFault at the deadline."""
    end = time.monotonic() + deadline_s
    with LedgerView.read(Places(root).ledger) as ledger:
        while True:
            rows = list(reversed(ledger.jobs()))
            for row in rows:
                show(row)
            if len(rows) >= count and all(row.is_final or row.stage is Stage.HELD for row in rows):
                return rows
            if time.monotonic() > end:
                raise MachineFault(f"{count - len(rows)} pictures are still waiting after {deadline_s:g} s")
            time.sleep(POLL_S)


def kill_at_work(
    root: Path, process: subprocess.Popen[bytes], *, deadline_s: float, after: int = 2
) -> tuple[int, int]:
    """Kill the daemon, with nothing tidied up, once `after` jobs are done and another is at work; how many were done and at work then.

    Raises MachineFault at the deadline.
    """
    end = time.monotonic() + deadline_s
    with LedgerView.read(Places(root).ledger) as ledger:
        while time.monotonic() < end:
            states = [row.state for row in ledger.jobs()]
            done, at_work = states.count("completed"), states.count("processing")
            if done >= after and at_work:
                process.kill()
                process.wait()
                return done, at_work
            time.sleep(POLL_S / 10)
    raise MachineFault(f"no job was at work within {deadline_s:g} s")


def once_each(root: Path, rows: Iterable[JobRow]) -> str:
    """How many sheets lie in the prints folders for how many completed jobs, in words. Raises MachineFault where they are not as many."""
    completed = [row for row in rows if row.state == "completed"]
    sheets = list((root / "prints").rglob("*__*.tif"))
    if len(sheets) != len(completed) or len({row.source_name for row in completed}) != len(completed):
        raise MachineFault(f"{len(sheets)} sheets for {len(completed)} completed jobs in {root}")
    return f"{len(sheets)} sheets, {len(completed)} completed jobs"
