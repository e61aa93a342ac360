"""The product's own intake as a program of its own: doors and claim, and nothing behind them. `python -m tests.torture.taker_kit ROOT RESCAN_S`.

It takes from `ROOT/hot` and writes what it does to `ROOT/book`, a line each: `claimed NAME_HEX BLAKE3 FILE`, and `look FULL_AT OFFERED WAITING` for each
look, with the time of the last look at everything.
Used by the rows `half-written` and `flood`.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil
from blake3 import blake3

from drydown.intake import complete
from drydown.intake.claim import claim
from drydown.intake.folder import HotFolder, set_up
from drydown.intake.hints import Hints, Told
from drydown.intake.names import job_id
from drydown.service.doors import Doors
from drydown.studio.settings import DaemonTable
from tests.torture.proc_kit import peak_mb

QUIET_S = 0.3  #: the least that a studio may set
EVERYTHING = 1_000_000


@dataclass
class Taker:
    """The program at work on `root`."""

    root: Path
    process: subprocess.Popen[bytes]

    @property
    def hot(self) -> Path:
        return self.root / "hot"

    def book(self, what: str) -> list[list[str]]:
        """The words of every line of that kind so far."""
        with contextlib.suppress(FileNotFoundError):
            lines = (self.root / "book").read_text("ascii").splitlines()
            return [line.split()[1:] for line in lines if line.startswith(f"{what} ")]
        return []

    def wait_for_looks(self, more: int, deadline_s: float = 30.0) -> None:
        """Until it has looked so many times more. Raises TimeoutError."""
        there, end = len(self.book("look")), time.monotonic() + deadline_s
        while len(self.book("look")) < there + more:
            if time.monotonic() > end or self.process.poll() is not None:
                raise TimeoutError("the taker does not look")
            time.sleep(0.05)

    def send(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def rss_mb(self) -> float:
        return psutil.Process(self.process.pid).memory_info().rss / 1e6

    def peak_mb(self) -> float:
        return peak_mb(self.process.pid)

    def cpu_s(self) -> float:
        spent = psutil.Process(self.process.pid).cpu_times()
        return spent.user + spent.system


@contextlib.contextmanager
def taking(root: Path, *, rescan_s: float, started: bool = True) -> Iterator[Taker]:
    """A taker on the new hot folder `root/hot`; ended with the context. `started`: wait for its first look."""
    set_up(root / "hot", "torture")
    command = [sys.executable, "-m", "tests.torture.taker_kit", str(root), str(rescan_s)]
    process = subprocess.Popen(command, cwd=Path(__file__).parents[2])
    taker = Taker(root, process)
    try:
        if started:
            taker.wait_for_looks(1)
        yield taker
    finally:
        taker.send(signal.SIGCONT)
        process.terminate()
        process.wait(timeout=30)


def _main(root: Path, rescan_s: float) -> None:
    complete.ignore_lease_breaks()
    stopped: list[int] = []
    hints = Hints()

    def stop(number: int, _: object) -> None:
        stopped.append(number)
        hints.wake()

    signal.signal(signal.SIGTERM, stop)
    doors = Doors(
        [HotFolder("hot", root / "hot", "torture")],
        DaemonTable(quiet_s=QUIET_S, rescan_s=rescan_s),
        hints.add,
    )
    told = Told()
    with (root / "book").open("a", buffering=1, encoding="ascii") as book:
        while not stopped:
            now = time.monotonic()
            if told.paths or told.everything or now >= doors.next_at:
                found = doors.look(now, told.paths, everything=told.everything, want=EVERYTHING)
                doors.overdue(now)
                doors.complaints.clear()
                for ready in found.ready:
                    claimed = claim(ready, job_id(time.time()), time.time())
                    if claimed is not None:
                        doors.taken(ready)
                        name = os.fsencode(ready.name).hex()
                        digest = blake3(claimed.path.read_bytes()).hexdigest()
                        book.write(f"claimed {name} {digest} {claimed.path}\n")
                (state,) = doors.states(now, 0)
                book.write(f"look {state.looked_at} {len(found.ready)} {found.waiting}\n")
            told = hints.wait(min(5.0, max(0.0, doors.next_at - time.monotonic())))
    doors.close()


if __name__ == "__main__":
    _main(Path(sys.argv[1]), float(sys.argv[2]))
