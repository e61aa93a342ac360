"""A daemon on a file system that fails at a chosen call, a supervisor that starts it again when it ends, and a consumer with a book of its own.

The failing is done by `failnth.c`, compiled here and preloaded. Two kinds of daemon: the real program with its starter and children, and the real
daemon with a stand-in for rendering, forked from a process that has imported everything, so that a hundred schedules take seconds.
"""

from __future__ import annotations

import ctypes
import errno
import json
import multiprocessing
import os
import shutil
import signal
import struct
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

from blake3 import blake3

from drydown.errors import DrydownError, Exit, MachineFault
from drydown.jobs.attempts import Attempts
from drydown.jobs.forks import Starter
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import Question
from tests.jobs.jobs_kit import an_attempt, answered
from tests.small_studio import DAEMON, lay_out

LOOK_S = 0.004  #: how often the consumer looks for sheets
STICKY_S = 1.5  #: how long a lasting fault lasts once it has been met
RESUMES_S = 10.0  #: within which everything must be out after that
AGAIN_S = 0.2  #: the supervisor's pause before it starts the daemon again
_SOURCE = Path(__file__).with_name("failnth.c")
_SITE = """import json, os, sys
if "LD_PRELOAD" not in os.environ:
    os.environ.update(json.loads({settings!r}))
    os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])
"""


@dataclass(frozen=True, slots=True)
class Schedule:
    """Which call fails, and how. `nth` counts from 1; 0 never fails and only counts."""

    call: str
    nth: int = 0
    error: str = "EIO"
    after: bool = False  #: the call is done all the same
    sticky: bool = False  #: and so do all later ones, until the cause is gone

    def __str__(self) -> str:
        how = "done, then " if self.after else ""
        return f"{self.call} {self.nth}: {how}{self.error}{' lasting' if self.sticky else ''}"


def missing() -> str:
    """What the rows that inject errors need and this machine lacks."""
    if not sys.platform.startswith("linux"):
        return "Linux (LD_PRELOAD)"
    return "" if shutil.which("cc") else "a C compiler (cc)"


def compiled(folder: Path) -> Path:
    """The shim, made anew."""
    made = folder / "failnth.so"
    subprocess.run(["cc", "-O2", "-shared", "-fPIC", "-o", str(made), str(_SOURCE), "-ldl"], check=True)
    return made


@contextmanager
def forking(shim: Path) -> Iterator[multiprocessing.context.BaseContext]:
    """Processes forked from one that has the shim and every import. One at a time in a process; left running, as `multiprocessing` has it."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.torture.faulty_kit", "drydown.service.daemon", "drydown.cli.work"])
    with mock.patch.dict(os.environ, {"LD_PRELOAD": str(shim)}):
        context.Process(target=_nothing).start()
    yield context


def _nothing() -> None:
    """For a first process, whose start starts the server."""


@dataclass
class Studio:
    """A studio below `folder`, with what must not fail beside it: log, counter, flag, the consumer's book."""

    folder: Path
    schedule: Schedule
    pictures: int = 3
    book: Counter[bytes] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.root = self.folder / "studio"
        self.places = Places(self.root)
        self.counter, self.flag, self.log = (self.folder / name for name in ("counter", "flag", "log"))
        self.counter.write_bytes(bytes(16))
        self.log.touch()
        if self.schedule.sticky:
            self.flag.touch()

    def lay_out(self, profile: bytes) -> None:
        """The files of a small studio."""
        lay_out(self.root, profile, daemon=DAEMON + "keep_free_mb = 0\n")

    def drop(self, number: int, picture: bytes) -> None:
        """Somebody drops a picture."""
        aside = self.folder / f"p{number}.jpg"
        aside.write_bytes(picture)
        aside.rename(self.root / "hot" / "final" / aside.name)

    @property
    def lasts(self) -> bool:
        """True while there is a fault that only `mend` ends."""
        return self.flag.exists()

    def is_met(self) -> bool:
        """True once the daemon must have felt it."""
        return self.seen()[1] > 0

    def mend(self) -> None:
        """The cause of a lasting fault is gone."""
        self.flag.unlink()

    def seen(self) -> tuple[int, int]:
        """(calls of the schedule's kind so far, failures made)."""
        calls, failures = struct.unpack("QQ", self.counter.read_bytes())
        return calls, failures

    def collect(self) -> None:
        """The consumer takes every sheet away as soon as it is there. Its book is this process's memory."""
        for sheet in (self.root / "prints" / "final").glob("*__*.tif"):
            self.book[sheet.name.split("__")[0].encode()] += 1
            sheet.unlink()

    def is_over(self) -> bool:
        """Everything has come out and was put away."""
        if sum(self.book.values()) < self.pictures:
            return False
        try:
            with LedgerView.read(self.places.ledger) as ledger:
                live = ledger.live()
        except MachineFault:  # its commit failed half-way: the next daemon completes it
            return False
        done = len(list(self.places.originals("done").glob("p*.jpg")))
        return all(self._may_be_asked(row) for row in live) and done + len(live) >= self.pictures

    def _may_be_asked(self, row: JobRow) -> bool:
        """A rename that was done and is said not to be, of a sheet that is collected at once, leaves nothing to tell by: a person is asked."""
        return self.schedule.after and row.question is Question.PRINTED

    def arguments(self) -> tuple[str, str, int, int, int, str, str]:
        """What `failnth_arm` takes."""
        one = self.schedule
        number = getattr(errno, one.error)
        flag = str(self.flag) if one.sticky else ""
        return one.call, str(self.root), one.nth, number, int(one.after), flag, str(self.counter)

    def environment(self, shim: Path) -> dict[str, str]:
        """The same for a program that loads the shim as it starts."""
        names = ("CALL", "BELOW", "N", "ERRNO", "AFTER", "FLAG", "COUNTER")
        armed = {f"FAILNTH_{name}": str(value) for name, value in zip(names, self.arguments(), strict=True)}
        return {"LD_PRELOAD": str(shim)} | armed

    def complaints(self) -> list[str]:
        """Whatever is not as promised at the end."""
        self.collect()
        wrong = [f"twice: {name.decode()} {count} times" for name, count in self.book.items() if count > 1]
        wrong += [f"lost: p{number}" for number in range(self.pictures) if not self.book[b"p%d" % number]]
        try:
            with LedgerView.read(self.places.ledger) as ledger:
                rows = ledger.jobs()
        except DrydownError as error:
            return [*wrong, f"left: {error}"]
        wrong += [
            f"left: {row.id} {row.stage}: {row.reason}"
            for row in rows
            if row.state != "completed" and not self._may_be_asked(row)
        ]
        wrong += [
            f"charged: {row.id} {row.strikes} strikes, attempt {row.attempt}" for row in rows if row.strikes
        ]
        if len(rows) != self.pictures:
            wrong.append(f"left: {len(rows)} jobs of {self.pictures} pictures")
        said = self.log.read_text(errors="replace")
        if "Traceback" in said:
            wrong.append(f"left: a traceback: {said[said.index('Traceback') :][:1500]}")
        return wrong


@dataclass
class Process:
    """A daemon, however it was started."""

    pid: int
    code: Callable[[], int | None]  #: None while it runs
    stop: Callable[[], object]
    kill: Callable[[], object]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a schedule came to."""

    schedule: Schedule
    complaints: tuple[str, ...]
    hits: int
    calls: int
    ends: tuple[int, ...]  #: exit codes on the way
    resumed_s: float  #: from the end of a lasting fault until everything was out


def endure(
    studio: Studio, start: Callable[[], Process], picture: Callable[[int], bytes], *, deadline_s: float
) -> Verdict:
    """Run the daemon through its schedule under a supervisor until all pictures are out, then end it."""
    process, ends, wrong = start(), [], []
    end, met, gone = time.monotonic() + deadline_s, 0.0, 0.0
    for number in range(studio.pictures):
        studio.drop(number, picture(number))
    while not studio.is_over():
        now = time.monotonic()
        if (code := process.code()) is not None:
            ends.append(code)
            if code != Exit.MACHINE:
                break
            time.sleep(AGAIN_S)
            process = start()
        if studio.lasts and studio.is_met():
            met = met or now
            if now - met > STICKY_S:
                studio.mend()
                gone = time.monotonic()
        if now > end:
            wrong.append(f"left: not over after {deadline_s:g} s")
            break
        studio.collect()
        time.sleep(LOOK_S)
    resumed = time.monotonic() - gone if gone else 0.0
    process.stop()
    while (code := process.code()) is None and time.monotonic() < end + 15:
        time.sleep(LOOK_S)
    if code is None:
        process.kill()
        wrong.append("left: it could not be stopped")
    if code == -signal.SIGTERM:  # asked to end before it could listen
        code = 0
    wrong += [f"left: it ended with {code}" for code in (*ends, code or 0) if code not in (0, Exit.MACHINE)]
    if resumed > RESUMES_S:
        wrong.append(f"left: resumed after {resumed:.1f} s")
    calls, hits = studio.seen()
    return Verdict(studio.schedule, tuple(wrong + studio.complaints()), hits, calls, tuple(ends), resumed)


# the daemon with a stand-in for rendering

#: `multiprocessing` asks every child for its end whenever one starts, and of two threads that ask for the same end one is told 255.
_ONE_ASKS = threading.Lock()


class Rendered(Attempts):
    """Writes the files of an attempt from the picture's bytes, here and now."""

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        try:
            result, _ = an_attempt(spec, number, self._work)
        except OSError as error:
            return answered(spec.job, number, "machine", str(error))
        return result.model_copy(update={"source_blake3": blake3(spec.source.read_bytes()).hexdigest()})


class NoStarter(Starter):
    """Is never asked for a child."""

    def warm(self) -> None:
        """Nothing to warm."""


def forked(
    context: multiprocessing.context.BaseContext, studio: Studio, *, boot: str = "boot-1"
) -> Callable[[], Process]:
    """Starts the daemon that renders nothing. `boot`: what it takes the machine's boot for."""

    def start() -> Process:
        def code() -> int | None:
            with _ONE_ASKS:
                ended: int | None = process.exitcode
                return ended

        process = context.Process(  # type: ignore[attr-defined]
            target=_watch, args=(str(studio.root), str(studio.log), studio.arguments(), boot)
        )
        with _ONE_ASKS:
            process.start()
        return Process(process.pid, code, process.terminate, process.kill)

    return start


def _watch(root: str, log: str, arguments: tuple[str, str, int, int, int, str, str], boot: str) -> None:
    """`drydown watch`, in a process that was forked for it."""
    from drydown import cli
    from drydown.service import workshop

    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(out, 1)
    os.dup2(out, 2)
    sys.argv = ["drydown", "--studio", root, "watch"]
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _arm(arguments)
    with mock.patch.multiple(workshop, Attempts=Rendered, Starter=NoStarter, boot_id=lambda: boot):
        cli.main()


def _arm(arguments: tuple[str, str, int, int, int, str, str]) -> None:
    arm = ctypes.CDLL(None).failnth_arm
    text, number = ctypes.c_char_p, ctypes.c_int
    arm.argtypes = [text, text, ctypes.c_uint64, number, number, text, text]
    arm.restype = None
    arm(*(part.encode() if isinstance(part, str) else part for part in arguments))


# the real program


def real(studio: Studio, shim: Path) -> Callable[[], Process]:
    """Starts `drydown watch`; the starter and its children fail too: their interpreter puts the shim before itself."""
    site = studio.folder / "site"
    site.mkdir()
    settings = json.dumps(studio.environment(shim))
    (site / "sitecustomize.py").write_text(_SITE.format(settings=settings))
    command = [sys.executable, "-m", "drydown", "--studio", str(studio.root), "watch"]

    def start() -> Process:
        with studio.log.open("ab") as out:
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
                start_new_session=True,
                env=os.environ | {"PYTHONPATH": str(site)},
            )
        return Process(process.pid, process.poll, process.terminate, process.kill)

    return start
