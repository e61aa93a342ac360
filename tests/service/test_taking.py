"""A file system that fails before there is a job: nobody's picture is to blame, and a person is told."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from unittest import mock

from tests.small_studio import DAEMON, lay_out
from tests.torture.faulty_kit import NoStarter, Rendered

from drydown import durable
from drydown.imaging.working import srgb
from drydown.jobs.ledger_rows import JobRow
from drydown.service import workshop
from drydown.service.daemon import Daemon, Status


class Sick:
    """A disk on which nothing can be made from the daemon's first word on, until somebody has been told; whoever hears it makes room."""

    def __init__(self, root: Path) -> None:
        self.said: list[str] = []
        self.done: list[JobRow] = []
        self.turns = 0
        with mock.patch.multiple(workshop, Attempts=Rendered, Starter=NoStarter):
            self.daemon = Daemon(root, self)

    def say(self, text: str) -> None:
        self.said.append(text)

    def status(self, status: Status) -> None:
        self.turns += 1
        if self.done or self.turns > 100:
            self.daemon.stop()

    def job(self, row: JobRow) -> None:
        self.done += [row] if row.is_final else []

    def step(self, name: str) -> None:
        if name == "mkdir" and self.said and not self.told:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    @property
    def told(self) -> list[str]:
        return [line for line in self.said if "no space left on device" in line]


def test_a_picture_that_cannot_be_taken_is_told_and_goes_on_by_itself(tmp_path: Path) -> None:
    # found on a full disk that somebody else kept full: three pictures waited, and only the job log said why
    lay_out(tmp_path, srgb(), daemon=DAEMON)
    sick = Sick(tmp_path)
    picture = tmp_path / "hot" / "final" / "a.jpg"
    picture.write_bytes(b"\xff\xd8 a picture \xff\xd9")
    with mock.patch.object(durable, "on_step", sick.step):
        sick.daemon.run()
    assert sick.told == [
        "state cannot be written to (no space left on device); mend that, and the pictures go on by themselves."
    ]
    assert [row.state for row in sick.done] == ["completed"] and not picture.exists()
