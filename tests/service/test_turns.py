"""A first start: how often the loop turns while every attempt is at work and more pictures wait: not more than there is to look at."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from unittest import mock

from tests.small_studio import DAEMON, lay_out
from tests.torture.faulty_kit import NoStarter, Rendered

from drydown.imaging.working import srgb
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.service import workshop
from drydown.service.daemon import Daemon, Status

PICTURES = 5
WATCHED_S = 1.0
#: A look at the requests every half second, one at the folders each second, and what claims and events add.
MOST_TURNS = 40


class Slow(Rendered):
    """An attempt that works until it may end."""

    may_end = threading.Event()

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        self.may_end.wait(60)
        return super().__call__(spec, number)


class Watched:
    """Counts the turns for a while from when all are at work that may be, then lets them end."""

    def __init__(self, root: Path) -> None:
        self.turns, self.done, self._until = 0, 0, 0.0
        self.said: list[str] = []
        with mock.patch.multiple(workshop, Attempts=Slow, Starter=NoStarter):
            self.daemon = Daemon(root, self)

    def say(self, text: str) -> None:
        self.said.append(text)

    def job(self, row: JobRow) -> None:
        self.done += row.is_final
        if self.done == PICTURES:
            self.daemon.stop()

    def status(self, status: Status) -> None:
        if len(status.running) < 2 or Slow.may_end.is_set():
            return
        self._until = self._until or time.monotonic() + WATCHED_S
        self.turns += 1
        if time.monotonic() >= self._until:
            Slow.may_end.set()


def test_a_queue_that_waits_for_room_keeps_nobody_busy(tmp_path: Path) -> None:
    # found by where the daemon's time went: a third of a core, and a tenth of the throughput
    lay_out(tmp_path, srgb(), daemon=DAEMON)
    for number in range(PICTURES):
        (tmp_path / "hot" / "final" / f"{number}.jpg").write_bytes(b"\xff\xd8 %d \xff\xd9" % number)
    watched = Watched(tmp_path)
    watched.daemon.run()
    assert watched.done == PICTURES
    assert watched.turns <= MOST_TURNS
    assert not any("offline" in said for said in watched.said), "folders made by hand are set up, not missed"
