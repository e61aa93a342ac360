"""Row `power-cut` (root only): the power goes while pictures are dropped, printed and collected, and comes back in another boot.

The studio lies on an ext4 image on a loop device. At a random moment the daemon is stopped and the image's file copied: what the kernel has not
written yet is not in it, as after a real cut. The copy is mounted, its journal replayed, and the daemon started with another boot. The dropper
syncs each file and both folders, and only then counts it as handed in; whoever collects sheets keeps a book outside the image and syncs nothing.

"Lost" is a picture that was handed in and is neither in the book nor held or refused with its original. "Twice" is a sheet that the program handed
over a second time. A sheet that is back because the *collector's* own removal was undone, recognised before the daemon starts, is counted apart. The
copy is not atomic: some milliseconds of background writing can slip in; and no drive lies here about what it has written.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from drydown import durable
from drydown.errors import DrydownError
from drydown.imaging.working import srgb
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.states import Stage
from tests.torture import faulty_kit
from tests.torture.faulty_kit import LOOK_S, Process, Schedule, Studio, compiled, forked, forking
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, counted

IMAGE_MIB = 48
AT_ONCE = 3
UP_S = 30.0
OVER_S = 60.0
HELD_LIMIT = 0.003


@dataclass(frozen=True, slots=True)
class Cut:
    """What one cut came to."""

    complaints: tuple[str, ...]
    handed_in: int
    printed_before: int
    held: int
    came_back: int


@dataclass
class _Plug:
    """One studio, its image, and those who drop and collect."""

    folder: Path
    context: multiprocessing.context.BaseContext
    rng: random.Random
    pictures: int
    takes: Counter[str] = field(default_factory=Counter)  #: sheet's name -> how often it was taken
    came_back: int = 0
    handed_in: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.studio = Studio(self.folder, Schedule("none"), pictures=self.pictures)
        self.root = self.studio.root
        self._is_cut = threading.Event()

    def run(self, profile: bytes) -> Cut:
        image, after = self.folder / "image", self.folder / "after"
        with _mounted(_new_image(image), self.root):
            self.studio.lay_out(profile)
            (self.root / "aside").mkdir()
            early = (
                self.pictures * 3 // 4
            )  # what the dropper syncs meanwhile would bring the daemon's files to the disk too
            self._drop(range(early))
            os.sync()
            process = self._up("boot-1")
            dropper = threading.Thread(target=self._drop, args=(range(early, self.pictures),))
            dropper.start()
            self._collect_for(self.rng.uniform(0.1, 0.5 + self.pictures * 0.05))
            os.kill(process.pid, signal.SIGSTOP)
            handed_in = set(self.handed_in)
            _copy(image, after)
            self._is_cut.set()
            dropper.join()
            process.kill()
            while process.code() is None:
                time.sleep(LOOK_S)
        image.unlink()
        before = sum(self.takes.values())
        with _mounted(after, self.root):
            self._look_for_ghosts()
            process = self._up("boot-2")
            held = self._finish(process, handed_in)
        return Cut(tuple(self.wrong), len(handed_in), before, held, self.came_back)

    def _up(self, boot: str) -> Process:
        """The daemon, watching."""
        self.studio.log.write_bytes(b"")
        process = forked(self.context, self.studio, boot=boot)()
        end = time.monotonic() + UP_S
        while b"watching" not in self.studio.log.read_bytes():
            if process.code() is not None or time.monotonic() > end:
                raise AssertionError(f"it does not come up: {self.studio.log.read_text()}")
            time.sleep(LOOK_S)
        return process

    def _drop(self, numbers: Iterable[int]) -> None:
        """Hand pictures in, each on the disk before it counts; stops with the power."""
        hot, aside = self.root / "hot" / "final", self.root / "aside"
        for number in numbers:
            if self._is_cut.is_set():
                return
            name = f"p{number}.jpg"
            durable.write_atomic(aside / name, _picture(number))
            durable.rename_durable(aside / name, hot / name)
            self.handed_in.add(f"p{number}")

    def _collect_for(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self._collect()
            time.sleep(LOOK_S)

    def _collect(self) -> None:
        for sheet in (self.root / "prints" / "final").glob("*__*.tif"):
            if sheet.read_bytes() != b"sheet of " + _picture(int(sheet.name.split("__")[0][1:])):
                self.wrong.append(f"lost: {sheet.name} is not what was made")
            sheet.unlink()
            self.takes[sheet.name] += 1

    def _look_for_ghosts(self) -> None:
        """Sheets that the book has and the disk has again: the collector knows them and takes them away."""
        for sheet in (self.root / "prints" / "final").glob("*__*.tif"):
            if sheet.name in self.takes:
                sheet.unlink()
                self.came_back += 1

    def _finish(self, process: Process, handed_in: set[str]) -> int:
        """Until nothing moves any more; answers how many are held."""
        end = time.monotonic() + OVER_S
        while not (rows := self._at_rest()):
            self._collect()
            if process.code() is not None or time.monotonic() > end:
                self.wrong.append(f"left: not over; {self.studio.log.read_text()[-500:]}")
                break
            time.sleep(0.1)
        self._collect()
        process.stop()
        while process.code() is None and time.monotonic() < end + 20:
            time.sleep(LOOK_S)
        self._judge(rows, handed_in)
        return sum(row.stage is Stage.HELD for row in rows)

    def _at_rest(self) -> list[JobRow]:
        """All jobs, once each is final or held and no picture waits; else none."""
        if list((self.root / "hot" / "final").glob("p*.jpg")):
            return []
        with contextlib.suppress(DrydownError), LedgerView.read(self.studio.places.ledger) as ledger:
            rows = ledger.jobs()
            return rows if all(row.is_final or row.stage is Stage.HELD for row in rows) else []
        return []

    def _judge(self, rows: list[JobRow], handed_in: set[str]) -> None:
        printed = Counter(name.split("__")[0] for name in self.takes)
        done = self.studio.places.originals("done").glob("p*.jpg")
        names = {path.name.split("__")[0]: path for path in done}
        kept = {name for name, path in names.items() if path.read_bytes() == _picture(int(name[1:]))}
        for name, times in self.takes.items():
            if times > 1:
                self.wrong.append(f"twice: {name} {times} times")
        for name, times in printed.items():
            if times > 1:
                self.wrong.append(f"twice: {name} as {times} jobs")
        asked = {Path(row.source_name).stem: row for row in rows if row.stage is Stage.HELD}
        for name in sorted(handed_in):
            row = asked.get(name)
            if (
                row is not None
                and row.reason
                and row.original_path is not None
                and row.original_path.exists()
            ):
                continue
            if name not in printed or name not in kept:
                self.wrong.append(
                    f"lost: {name} printed {printed[name]} times, its original {'is' if name in kept else 'not'} kept"
                )
        self.wrong += [f"charged: {row.id}" for row in rows if row.strikes]
        self.wrong += [
            f"left: {row.id} {row.stage} {row.reason}" for row in rows if row.state in ("aborted", "canceled")
        ]


def _picture(number: int) -> bytes:
    """Bytes that begin and end as a JPEG does, of their own for each number."""
    return b"\xff\xd8" + random.Random(number).randbytes(3000) + b"%d\xff\xd9" % number


def _new_image(path: Path) -> Path:
    with path.open("wb") as image:
        image.truncate(IMAGE_MIB << 20)
    subprocess.run(
        ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(path)], check=True
    )
    return path


def _copy(image: Path, to: Path) -> None:
    subprocess.run(["cp", "--sparse=always", str(image), str(to)], check=True)


@contextmanager
def _mounted(image: Path, where: Path) -> Iterator[None]:
    where.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(where)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(where)], check=True)


def _missing() -> str:
    if why := faulty_kit.missing():
        return why
    if os.geteuid() != 0:
        return "root, to mount file systems"
    if not shutil.which("mkfs.ext4"):
        return "mkfs.ext4"
    try:
        with (
            tempfile.TemporaryDirectory() as name,
            _mounted(_new_image(Path(name) / "image"), Path(name) / "there"),
        ):
            return ""
    except (OSError, subprocess.CalledProcessError):
        return "loop devices"


def _all(seed: int, cuts: int, pictures: int, held_limit: int) -> Outcome:
    with quick_folder() as folder, forking(compiled(folder)) as context, ThreadPoolExecutor(AT_ONCE) as pool:
        profile = srgb()

        def one(number: int) -> Cut:
            with tempfile.TemporaryDirectory(dir=folder, ignore_cleanup_errors=True) as name:
                plug = _Plug(Path(name), context, random.Random(f"{seed} {number}"), pictures)
                found = plug.run(profile)
            if found.complaints:
                print(f"cut {number}: {'; '.join(found.complaints)}", file=sys.stderr)
            return found

        found = list(pool.map(one, range(cuts)))
    wrong = [one for cut in found for one in cut.complaints]
    held, handed_in = sum(cut.held for cut in found), sum(cut.handed_in for cut in found)
    figures = (
        f"{cuts} cuts, {handed_in:,} pictures handed in, {sum(cut.printed_before for cut in found):,} printed before, "
        f"{counted(wrong, 'lost', 'twice')}, {held} held ({held / max(1, handed_in):.2%}, limit {held_limit}), "
        f"{sum(cut.came_back for cut in found)} came back by the collector's own undone removal"
    )
    return Outcome(not wrong and held <= held_limit, figures)


ROW = Row(
    name="power-cut",
    says="the power goes and comes back: nothing handed in is lost, nothing is handed over twice (root only)",
    short=lambda seed: _all(seed, 5, 30, held_limit=1),
    long=lambda seed: _all(seed, 100, 60, held_limit=int(100 * 60 * HELD_LIMIT)),
    missing=_missing,
)
