"""Row `soak`: the real daemon for an hour of tiny pictures at a steady rate, with faults: bad files, killed children, a killed starter, a stopped process.

Every ten seconds its memory and that of its starter, its open handles and its dead children are counted, and the ledger's bytes a job. None may grow after the
warm-up. `DRYDOWN_SOAK_MIN=5 python -m tests.torture soak` is a shorter one.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from drydown.demo.drive import daemon
from drydown.errors import MachineFault, NotFound
from drydown.jobs.ledger import LedgerView
from drydown.jobs.places import Places
from drydown.jobs.states import FINAL, Stage
from tests.e2e.studio import make_studio, picture
from tests.small_studio import DAEMON, hot_folder
from tests.torture.row import Outcome, Row, linux_only

MINUTES = float(os.environ.get("DRYDOWN_SOAK_MIN", "60"))
EVERY_S = 10.0
DROP_EVERY_S = 1.5
FAULT_EVERY_S = 7.0
WARM_SHARE = 0.2  #: of the samples, while caches fill and libraries are loaded late
GROWTH = 1.05
SLACK_MB = 1.0  #: one page cache of an allocator is no leak
LEDGER_BYTES = 2048
END_S = 180.0  #: the last drop to the last job's end

STUDIO = hot_folder("final") + DAEMON.replace("rescan_s = 1", "rescan_s = 2") + "deadline_s = 60\n"


@dataclass(frozen=True)
class Sample:
    """One look. Jobs: in the ledger; `ledger`: its bytes."""

    daemon_mb: float
    starter_mb: float
    handles: int
    zombies: int


@dataclass
class Soak:
    """A daemon under load. Faults are drawn from `rng`."""

    root: Path
    rng: random.Random
    daemon: subprocess.Popen[bytes]
    picture: bytes
    dropped: int = 0
    faults: int = 0
    samples: list[Sample] = field(default_factory=list)

    def drop(self) -> None:
        """A picture; every tenth is broken in one of four ways."""
        data, number = self.picture, self.dropped
        match self.rng.randrange(40):
            case 0:
                data = b""
            case 1:
                data = data[: len(data) // 2]
            case 2:
                data = self.rng.randbytes(5000)
            case 3:
                at = self.rng.randrange(len(data) // 4, len(data) - 2)
                data = data[:at] + self.rng.randbytes(20) + data[at + 20 :]
        if data is self.picture:
            data += number.to_bytes(4, "big")  # no two alike
        aside = self.root / "hot" / "final" / f".p{number}.jpg.part"
        aside.write_bytes(data)
        aside.rename(aside.with_name(f"p{number}.jpg"))
        self.dropped += 1

    def fault(self) -> None:
        """Something that happens to a process."""
        self.faults += 1
        starter = self._starter()
        with contextlib.suppress(psutil.Error):
            match self.rng.randrange(8):
                case 0 if starter is not None:
                    starter.kill()
                case 1 | 2:
                    self.daemon.send_signal(signal.SIGSTOP)
                    time.sleep(self.rng.uniform(0.1, 2.0))
                    self.daemon.send_signal(signal.SIGCONT)
                case _ if starter is not None and (children := starter.children()):
                    self.rng.choice(children).kill()

    def look(self) -> None:
        """Take a sample; none if one of the processes ends meanwhile."""
        with contextlib.suppress(psutil.Error):
            daemon, starter = psutil.Process(self.daemon.pid), self._starter()
            family = [daemon, *daemon.children(recursive=True)]
            self.samples.append(
                Sample(
                    daemon_mb=daemon.memory_info().rss / 1e6,
                    starter_mb=starter.memory_info().rss / 1e6 if starter else 0.0,
                    handles=daemon.num_fds(),
                    zombies=sum(one.status() == psutil.STATUS_ZOMBIE for one in family),
                )
            )

    def run(self, minutes: float) -> None:
        """Drop, break and look until the time is over, then until every job has ended."""
        end = time.monotonic() + 60 * minutes
        drop_at = fault_at = time.monotonic()
        look_at = drop_at + EVERY_S
        while (now := time.monotonic()) < end and self.daemon.poll() is None:
            if now >= drop_at:
                self.drop()
                drop_at += DROP_EVERY_S
            if now >= fault_at:
                self.fault()
                fault_at = now + self.rng.uniform(0.5, 1.5) * FAULT_EVERY_S
            if now >= look_at:
                self.look()
                look_at = now + EVERY_S
            time.sleep(0.05)
        end = time.monotonic() + END_S
        while time.monotonic() < end and not self.is_over():
            time.sleep(0.5)
        self.look()

    def ended(self) -> int:
        """Jobs that have come to a rest."""
        with contextlib.suppress(NotFound, MachineFault), LedgerView.read(Places(self.root).ledger) as ledger:
            return ledger.count(*FINAL, Stage.HELD)
        return 0

    def is_over(self) -> bool:
        return self.ended() >= self.dropped or self.daemon.poll() is not None

    def _starter(self) -> psutil.Process | None:
        with contextlib.suppress(psutil.Error):
            children = psutil.Process(self.daemon.pid).children()
            return next((one for one in children if "drydown.jobs.starter" in one.cmdline()), None)
        return None


@contextlib.contextmanager
def _soaking(seed: int) -> Iterator[Soak]:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        root = make_studio(Path(name) / "studio", {"studio.toml": STUDIO})
        source = picture(Path(name) / "p.jpg", width=120, height=80)
        with daemon(root) as process:
            try:
                yield Soak(root, random.Random(seed), process, source.read_bytes())
            finally:
                process.send_signal(signal.SIGCONT)


def _wrong(soak: Soak, bytes_a_job: float) -> list[str]:
    warm = soak.samples[int(len(soak.samples) * WARM_SHARE) :]
    third = max(1, len(warm) // 3)
    early, late = warm[:third], warm[-third:]

    def grew(name: str) -> bool:
        before, after = (min(getattr(one, name) for one in part) for part in (early, late))
        return bool(after > before * GROWTH + SLACK_MB)

    wrong = [f"{name} grew" for name in ("daemon_mb", "starter_mb") if grew(name)]
    if min(one.handles for one in late) > min(one.handles for one in early):
        wrong.append("handles were left open")
    if min(one.zombies for one in late) > 0:
        wrong.append("dead children were left")
    if bytes_a_job > LEDGER_BYTES:
        wrong.append("the ledger is too large")
    if soak.daemon.poll() is not None:
        wrong.append(f"the daemon ended with {soak.daemon.returncode}")
    if (left := soak.dropped - soak.ended()) != 0:
        wrong.append(f"{left} pictures have not come to an end")
    return wrong


def _all(seed: int, minutes: float) -> Outcome:
    with _soaking(seed) as soak:
        soak.run(minutes)
        ledger = Places(soak.root).ledger
        jobs = soak.ended()
        bytes_a_job = (ledger.stat().st_size - _empty_bytes()) / max(1, jobs)
        wrong = _wrong(soak, bytes_a_job)
    first, last = soak.samples[int(len(soak.samples) * WARM_SHARE)], soak.samples[-1]
    figures = (
        f"{minutes:g} min, {soak.dropped} pictures, {soak.faults} faults; daemon {first.daemon_mb:.1f} -> {last.daemon_mb:.1f} MB, "
        f"starter {first.starter_mb:.1f} -> {last.starter_mb:.1f} MB, handles {first.handles} -> {last.handles}, "
        f"{last.zombies} zombies, ledger {bytes_a_job:.0f} bytes a job"
        + (f"; {'; '.join(wrong)}" if wrong else "")
    )
    return Outcome(not wrong, figures)


def _empty_bytes() -> int:
    """Of a ledger without jobs, and of two models of some 4 kB."""
    from drydown.jobs.ledger import Ledger

    with tempfile.TemporaryDirectory() as name:
        Ledger.open(Path(name) / "ledger.db", kind_of=lambda _path: "local").close()
        return (Path(name) / "ledger.db").stat().st_size + 4 * 4096


ROW = Row(
    name="soak",
    says="an hour of pictures with random faults: nothing grows, nothing is left behind",
    short=None,
    long=lambda seed: _all(seed, MINUTES),
    missing=linux_only,
)
