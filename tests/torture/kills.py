"""Row `kills`: the real daemon, killed at random times with its workers alive, while pictures arrive and sheets are taken away.

Two studios at once, each watched over by a process that adopts whatever the daemon leaves behind (a subreaper), so no orphan can hide. The book of
printed sheets is that process's own memory.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path

import psutil

from drydown.imaging.working import srgb
from drydown.jobs.ledger import LedgerView
from drydown.jobs.places import Places
from drydown.jobs.states import Question, Stage
from drydown.showing import shown
from tests.small_studio import DAEMON, lay_out
from tests.torture.proc_kit import children_of
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, tell

STUDIOS = 2
ORPHANS_MAY_LIVE_S = (
    1.0  #: on a machine with a core to spare; as many times longer as it has more to do than cores
)
STUCK_S = 60.0  #: without a single new sheet at the end
START_AND_WORK_S = 20.0  #: how long to wait for work under way when pictures wait
FIRST_S = 120.0  #: how long the first picture may take that nobody disturbs
_PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h


@dataclass
class Tally:
    """What one studio went through."""

    kills: int = 0
    at_work: int = 0  #: kills that met an attempt under way
    pictures: int = 0
    lost: int = 0
    twice: int = 0
    held: int = 0
    orphans: int = 0
    wrong: list[str] = field(default_factory=list)

    def __add__(self, other: Tally) -> Tally:
        return Tally(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(self)))


class Studio:
    """One studio with people around it: somebody drops pictures, somebody takes sheets."""

    def __init__(self, folder: Path, picture: bytes, rng: random.Random) -> None:
        self.root, self.outside = folder / "studio", folder / "outside"
        self.places, self.hot, self.prints = (
            Places(self.root),
            self.root / "hot/final",
            self.root / "prints/final",
        )
        self.printed: Counter[str] = Counter()
        self.waiting: deque[str] = deque()
        self.dropped: list[str] = []
        self._picture, self._rng, self._end = picture, rng, threading.Event()
        lay_out(self.root, srgb(), daemon=DAEMON + "deadline_s = 60\n")
        self.outside.mkdir()

    @contextlib.contextmanager
    def people(self) -> Iterator[None]:
        """They come, and go when the context ends; what still waits to be dropped is dropped before."""
        threads = [threading.Thread(target=work, daemon=True) for work in (self._drop, self._take)]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self._end.set()
            for thread in threads:
                thread.join()

    def _take(self) -> None:
        while not self._end.wait(0.002):
            with contextlib.suppress(FileNotFoundError):
                for path in self.prints.iterdir():
                    if path.suffix == ".tif":
                        self.printed[path.name.partition("__")[0]] += 1
                        path.unlink()

    def _drop(self) -> None:
        while not self._end.wait(0.005):
            while self.waiting:
                name = self.waiting.popleft()
                said = name.encode()
                data = b"\xff\xd8\xff\xfe" + (len(said) + 2).to_bytes(2, "big") + said + self._picture[2:]
                if self._rng.random() < 0.5:
                    (self.outside / name).write_bytes(data)
                    (self.outside / name).rename(self.hot / name)
                else:
                    self._write_slowly(self.hot / name, data)
                self.dropped.append(name)

    def _write_slowly(self, path: Path, data: bytes) -> None:
        cut = self._rng.randrange(1, len(data))
        with path.open("wb", buffering=0) as file:
            for part in (data[:cut], data[cut:]):
                file.write(part)
                time.sleep(self._rng.uniform(0, 0.05))

    def has_work(self) -> bool:
        """Pictures wait, or are claimed and not held."""
        held = sum(1 for _ in self.places.originals("held").glob("*.reason.txt"))
        return any(self.hot.glob("*.jpg")) or sum(1 for _ in self.hot.glob(".taken/*/")) > held

    def is_finished(self, count: int) -> bool:
        """All pictures are dropped, taken, and where they stay."""
        if len(self.dropped) < count or any(path.name[0] != "." for path in self.hot.iterdir()):
            return False
        with LedgerView.read(self.places.ledger) as ledger:
            rows = list(ledger.jobs())
        return len(rows) >= count and all(row.is_final or row.stage is Stage.HELD for row in rows)

    def judge(self, tally: Tally) -> None:
        """Every dropped picture is printed once, or held because it was interrupted too often; its original is there once."""
        with LedgerView.read(self.places.ledger) as ledger:
            rows = list(ledger.jobs())
        held = {row.source_name for row in rows if row.question is Question.INTERRUPTED and row.reason}
        taken = [*self.hot.glob(".taken/*/*.jpg"), *self.hot.glob("*.jpg")]
        kept = Counter(path.name.rpartition("__")[0] + ".jpg" for path in self.root.glob("originals/*/*.jpg"))
        originals = kept + Counter(path.name for path in taken)
        for name in self.dropped:
            times = self.printed[Path(name).stem]
            if times == 0 and shown(name) in held:
                tally.held += 1
            elif times != 1 or originals[name] != 1:
                tally.lost += int(times == 0 or originals[name] == 0)
                tally.twice += int(times > 1 or originals[name] > 1)
                tally.wrong.append(f"{name}: printed {times} times, {originals[name]} originals")
        tally.pictures = len(self.dropped)


def killed_daemons(folder: Path, kills: int, pictures: int, picture: bytes, seed: int) -> Tally:
    """One studio from its first start to the end of its last picture."""
    rng, tally = random.Random(seed), Tally()
    ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    studio = Studio(folder, picture, rng)
    names = iter([f"p{number:05d}.jpg" for number in range(pictures)])
    with studio.people():
        pace_s = _pace_s(studio, next(names))
        for left in range(kills, 0, -1):
            room = pictures - len(studio.dropped) - len(studio.waiting)
            studio.waiting.extend(
                next(names) for _ in range(min(room, round(rng.uniform(0, 2 * room / left))))
            )
            with running(studio) as process:
                _wait_for_a_bad_moment(studio, process, rng, pace_s)
                tally.at_work += _is_at_work(process)
                tally.wrong += ended_by_itself(studio, process)
                process.kill()
                process.wait()
            tally.kills += 1
            orphans = _orphans()
            tally.orphans += len(orphans)
            tally.wrong += [f"{orphan} outlived its daemon" for orphan in orphans]
        studio.waiting.extend(names)
        with running(studio) as process:
            finish(studio, process, pictures, tally)
        time.sleep(0.1)
    studio.judge(tally)
    return tally


def finish(studio: Studio, process: subprocess.Popen[bytes], pictures: int, tally: Tally) -> None:
    """Wait until so many pictures are where they stay, as long as sheets come out, and stop the daemon."""
    end, printed = time.monotonic() + STUCK_S, 0
    while not studio.places.ledger.exists() or not studio.is_finished(pictures):
        if printed < (printed := studio.printed.total()):
            end = time.monotonic() + STUCK_S
        if process.poll() is not None or time.monotonic() > end:
            tally.wrong.append(f"the last daemon does not come to an end: {last_words(studio)}")
            break
        time.sleep(0.1)
    process.send_signal(signal.SIGTERM)
    process.wait(60)


def ended_by_itself(studio: Studio, process: subprocess.Popen[bytes]) -> list[str]:
    """What is wrong where the daemon has ended, and nobody has killed it."""
    if process.poll() is None:
        return []
    return [f"the daemon ended by itself with {process.returncode}: {last_words(studio)}"]


@contextlib.contextmanager
def running(studio: Studio) -> Iterator[subprocess.Popen[bytes]]:
    """The real daemon, killed at the end of the context if it still runs."""
    with (studio.outside / "daemon.log").open("wb") as log:
        command = [sys.executable, "-m", "drydown", "--studio", str(studio.root), "watch"]
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
        )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def _pace_s(studio: Studio, name: str) -> float:
    """Seconds from a start to its first sheet, undisturbed: a machine that is slow or busy must be killed later, or it never prints anything."""
    studio.waiting.append(name)
    began = time.monotonic()
    with running(studio):
        while not studio.printed.total() and time.monotonic() < began + FIRST_S:
            time.sleep(0.01)
    return time.monotonic() - began


def _wait_for_a_bad_moment(
    studio: Studio, process: subprocess.Popen[bytes], rng: random.Random, pace_s: float
) -> None:
    """Half of the times any moment from the start on, else one from the begin of an attempt on, if there is one soon."""
    if rng.random() < 0.5:
        time.sleep(rng.uniform(0.05, 1.5 * pace_s))
        return
    end = time.monotonic() + START_AND_WORK_S
    while not _is_at_work(process) and studio.has_work() and time.monotonic() < end:
        time.sleep(0.02)
    time.sleep(rng.uniform(0, 0.5 * pace_s))


def _is_at_work(process: subprocess.Popen[bytes]) -> bool:
    """The starter is there, and an attempt that it has forked."""
    return any(children_of(starter) for starter in children_of(process.pid))


def _orphans() -> list[str]:
    """Which processes of a killed daemon are still there when they must be gone; they are ended then."""
    busy = os.getloadavg()[0] / (os.cpu_count() or 1)
    end = time.monotonic() + ORPHANS_MAY_LIVE_S * max(1.0, busy)
    while alive := _alive():
        if time.monotonic() > end:
            said = [f"{' '.join(process.cmdline()[:4])} ({process.status()})" for process in alive]
            for process in alive:
                process.kill()
            return said
        time.sleep(0.02)
    return []


def _alive() -> list[psutil.Process]:
    """What the dead daemon has left to us, without the dead among it."""
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            continue
    return psutil.Process().children(recursive=True)


def last_words(studio: Studio) -> str:
    """The end of what the daemon has said."""
    return (studio.outside / "daemon.log").read_text(errors="replace")[-500:]


def _in_a_studio(work: tuple[Path, int, int, bytes, int]) -> Tally:
    return killed_daemons(*work)


def _form(seed: int, *, kills: int, pictures: int) -> Outcome:
    context = multiprocessing.get_context("spawn")  # each with no thread and no child but its own
    with quick_folder() as folder, context.Pool(STUDIOS, maxtasksperchild=1) as pool:
        picture = small_picture()
        work = [
            (folder / str(n), kills // STUDIOS, pictures // STUDIOS, picture, seed + n)
            for n in range(STUDIOS)
        ]
        total = sum(pool.map(_in_a_studio, work, chunksize=1), Tally())
    tell(total.wrong[:20])
    figures = (
        f"{total.kills:,} kills ({total.at_work:,} with work under way), {total.pictures:,} pictures, {total.lost} lost, "
        f"{total.twice} twice, {total.held} held, {total.orphans} orphans"
    )
    return Outcome(not (total.wrong or total.lost or total.twice or total.orphans), figures)


def small_picture() -> bytes:
    import pyvips

    gradient = pyvips.Image.xyz(480, 320).linear([0.5, 0.7], [10, 10])
    image = gradient.bandjoin(128).cast("uchar").copy(interpretation="srgb")
    data: bytes = image.jpegsave_buffer(Q=90)
    return data


def short(seed: int) -> Outcome:
    return _form(seed, kills=100, pictures=200)


def long(seed: int) -> Outcome:
    return _form(seed, kills=2000, pictures=4000)


ROW = Row(
    name="kills",
    says="the daemon is killed at random times with workers alive and pictures arriving: nothing lost, nothing twice, no orphan",
    short=short,
    long=long,
    missing=lambda: "" if sys.platform.startswith("linux") else "a subreaper is Linux's",
)
