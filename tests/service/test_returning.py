"""Hot folders that are away, at the start or while pictures wait in them: nothing is concluded, and it goes on by itself when they are back."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from unittest import mock

import pytest
from tests.small_studio import DAEMON, lay_out
from tests.torture.faulty_kit import NoStarter, Rendered

from drydown.imaging.working import srgb
from drydown.intake import adopt, claim
from drydown.intake.folder import MARKER, TAKEN, HotFolder
from drydown.intake.found import IntakeTimes, Ready
from drydown.intake.names import job_id
from drydown.jobs import fitness
from drydown.jobs.engine import Engine
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.service import daemon as daemon_module
from drydown.service import doors, workshop
from drydown.service.daemon import Daemon, Status
from drydown.service.reception import Reception

JPEG = b"\xff\xd8 a picture \xff\xd9"
MOST_TURNS = 600


class Watched:
    """A daemon that is watched turn by turn; `then` is called after each, and says when it is over."""

    def __init__(
        self, root: Path, then: Callable[[Watched, Status], bool], attempts: type[Rendered] = Rendered
    ) -> None:
        self.root, self._then, self.turns = root, then, 0
        self.said: list[str] = []
        self.ended: dict[str, str] = {}
        self.states: list[tuple[str, str, str]] = []
        self.copies = 0
        with (
            mock.patch.multiple(workshop, Attempts=attempts, Starter=NoStarter),
            mock.patch.multiple(daemon_module, REST_S=0.1, REQUEST_LOOK_S=0.05),
            mock.patch.object(fitness, "LOOK_S", 0.2),
            mock.patch.object(doors, "IntakeTimes", partial(IntakeTimes, folder_retry_first_s=0.2)),
        ):
            self.daemon = Daemon(root, self)
            self.daemon.run()

    def say(self, text: str) -> None:
        self.said.append(text)

    def job(self, row: JobRow) -> None:
        self.states.append((row.source_name, row.state, row.reason))
        self.copies = row.spec.copies if row.spec else 0
        if row.is_final:
            self.ended[row.source_name] = row.state

    def status(self, status: Status) -> None:
        self.turns += 1
        if self.turns > MOST_TURNS or self._then(self, status):
            self.daemon.stop()


def studio(tmp_path: Path) -> Path:
    """A studio whose folders are set up."""
    root = tmp_path / "studio"
    lay_out(root, srgb(), daemon=DAEMON)
    Watched(root, lambda watched, status: True)
    assert (root / "hot" / "final" / MARKER).exists()
    return root


def unmount(folder: Path) -> Callable[[], None]:
    """An empty folder in its place; answers what mounts it again."""
    aside = folder.with_name("away")
    folder.rename(aside)
    folder.mkdir()

    def mount() -> None:
        folder.rmdir()
        aside.rename(folder)

    return mount


def ended_after(mount: Callable[[], None]) -> Callable[[Watched, Status], bool]:
    """It mounts at the third turn, and is over when a picture has ended."""

    def then(watched: Watched, status: Status) -> bool:
        if watched.turns == 3:
            mount()
        return bool(watched.ended)

    return then


def left_claimed(folder: Path, name: str = "a.jpg") -> None:
    """A picture that was claimed just before a crash: no row of the ledger tells of it."""
    job = folder / TAKEN / job_id(1_700_000_000.0)
    job.mkdir(mode=0o700)
    (job / name).write_bytes(JPEG)


def test_what_was_claimed_in_a_share_that_is_mounted_after_the_start_is_taken_up(tmp_path: Path) -> None:
    root = studio(tmp_path)
    left_claimed(root / "hot" / "final")
    watched = Watched(root, ended_after(unmount(root / "hot" / "final")))
    assert any("offline" in said for said in watched.said)
    assert watched.ended == {"a.jpg": "completed"}


def test_a_picture_that_was_not_planned_yet_when_its_share_went_is_planned_when_it_is_back(
    tmp_path: Path,
) -> None:
    root = studio(tmp_path)
    left_claimed(root / "hot" / "final")
    unplanned = mock.patch.object(Reception, "planned", lambda self, row: row)
    with unplanned, mock.patch.object(Engine, "start_ready", lambda self: []):  # the end comes just before
        Watched(root, lambda watched, status: watched.turns > 1)
    watched = Watched(root, ended_after(unmount(root / "hot" / "final")))
    assert watched.ended == {"a.jpg": "completed"}
    assert not [state for _, state, _ in watched.states if state == "pending-held"]


class Slow(Rendered):
    """An attempt that works until it may end."""

    may_end = threading.Event()

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        result = super().__call__(spec, number)
        self.may_end.wait(60)
        return result


def test_pictures_that_wait_in_a_share_that_goes_away_are_neither_held_nor_lost(tmp_path: Path) -> None:
    root, back = studio(tmp_path), []
    for number in range(4):
        (root / "hot" / "final" / f"{number}.jpg").write_bytes(JPEG + b"%d" % number)

    def then(watched: Watched, status: Status) -> bool:
        if len(status.running) == 2 and status.queued == 2 and not back:
            back.append(unmount(root / "hot" / "final"))
            Slow.may_end.set()
        if len(back) == 1 and any(
            state == "pending" and "offline" in why for _, state, why in watched.states
        ):
            back[0]()
            back.append(lambda: None)
        return len(watched.ended) == 4

    watched = Watched(root, then, Slow)
    assert watched.ended == {f"{number}.jpg": "completed" for number in range(4)}
    assert not [state for _, state, _ in watched.states if state == "pending-held"]


def test_a_hot_folder_that_cannot_be_read_at_the_start_stops_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root, real = studio(tmp_path), adopt.adopt

    def sick(folder: HotFolder) -> adopt.Adoption:
        if folder.name == "look":
            raise OSError(errno.EACCES, os.strerror(errno.EACCES), str(folder.path))
        return real(folder)

    monkeypatch.setattr(adopt, "adopt", sick)
    (root / "hot" / "final" / "a.jpg").write_bytes(JPEG)
    watched = Watched(root, lambda watched, status: bool(watched.ended))
    assert watched.ended == {"a.jpg": "completed"}
    assert any("Permission denied" in said and "look" in said for said in watched.said)


def test_a_mount_point_is_not_taken_for_a_new_folder_when_the_ledger_is_lost(tmp_path: Path) -> None:
    root = studio(tmp_path)
    left_claimed(root / "hot" / "look")  # something to build a ledger from
    marker = (root / "hot" / "final" / MARKER).read_bytes()
    (root / "hot" / "final" / "a.jpg").write_bytes(JPEG)
    for file in (root / "state").glob("ledger.db*"):
        file.unlink()
    mount = unmount(root / "hot" / "final")

    def then(watched: Watched, status: Status) -> bool:
        if watched.turns == 3:
            assert not (root / "hot" / "final" / MARKER).exists()
            mount()
        return "a.jpg" in watched.ended

    for _ in range(2):  # and at the next start its own marker is known again
        watched = Watched(root, then)
        assert watched.ended["a.jpg"] == "completed"
        assert (root / "hot" / "final" / MARKER).read_bytes() == marker
        (root / "hot" / "final" / "a.jpg").write_bytes(JPEG + b"again")
        mount = unmount(root / "hot" / "final")


@pytest.mark.parametrize("lost", ["picture", "settings"])
def test_what_a_lost_answer_has_left_in_the_private_folder_is_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: str
) -> None:
    root, real, failed = studio(tmp_path), claim.claim, []
    final = root / "hot" / "final"
    (final / "a.toml").write_text("copies = 3\n")
    (final / "a.jpg").write_bytes(JPEG)

    def failing(ready: Ready, job: str, now_s: float) -> claim.Claimed | None:
        if failed:
            return real(ready, job, now_s)
        failed.append(job)
        if lost == "picture":
            real(ready, job, now_s)
        else:  # cut off between the two renames, and what was moved could not go back
            (final / TAKEN / job).mkdir(mode=0o700)
            (final / "a.toml").rename(final / TAKEN / job / "a.toml")
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(daemon_module, "claim", failing)
    watched = Watched(root, lambda watched, status: bool(watched.ended))
    assert watched.ended == {"a.jpg": "completed"}
    assert failed and watched.copies == 3
