"""Row `full-disk` (root only): studios on file systems of 1 to 64 MiB that somebody else fills while pictures are worked on.

Also file systems without inodes, and sheets on one that is remounted read-only. Whatever is full, the ledger can be read and the log says which it
is; once there is room everything comes out by itself, once each, with no attempt charged.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from drydown.errors import MachineFault, NotFound
from drydown.imaging.working import srgb
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_file import exists
from tests.torture import faulty_kit
from tests.torture.faulty_kit import Schedule, Studio, Verdict, compiled, endure, forked, forking
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, counted

Kind = Literal["space", "inodes", "read-only"]
#: one of these must be said: by the daemon while it waits, or by the system where it cannot even start
WORDS: dict[Kind, tuple[str, ...]] = {
    "space": ("disk is full", "No space left on device"),
    "inodes": ("no inodes left", "No space left on device"),
    "read-only": ("mounted read-only",),
}
MIB = 1 << 20
AT_ONCE = 12
DEADLINE_S = 60.0
PICTURE_BYTES = 30_000


@dataclass
class Tight(Studio):
    """A studio on a file system of its own that becomes full. `at_s`: seconds after the drop."""

    size_mib: int = 64
    kind: Kind = "space"
    at_s: float = 0.0
    greedy: bool = False  #: whoever fills it takes every byte that comes free, too
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        self.mended = threading.Event()
        self.tight = self.root / "prints" / "final" if self.kind == "read-only" else self.root
        self._full = threading.Event()
        self._filler = threading.Thread(target=self._fill, daemon=True)

    def lay_out(self, profile: bytes) -> None:
        self.tight.mkdir(parents=True)
        inodes = ",nr_inodes=150" if self.kind == "inodes" else ""
        _mount("-t", "tmpfs", "-o", f"size={self.size_mib}m{inodes}", "tmpfs", str(self.tight))
        super().lay_out(profile)

    def drop(self, number: int, picture: bytes) -> None:
        aside = self.root / f"p{number}.aside"
        aside.write_bytes(picture)
        aside.rename(self.root / "hot" / "final" / f"p{number}.jpg")
        if number == self.pictures - 1:
            self._filler.start()

    @property
    def lasts(self) -> bool:
        return not self.mended.is_set()

    def is_met(self) -> bool:
        """The disk is full and, where it stays so, somebody has said it: a busy machine may not get there before it is mended."""
        return self._full.is_set() and (not self._stays_full or self._is_told())

    def is_over(self) -> bool:
        return not self.lasts and super().is_over()

    def mend(self) -> None:
        if exists(self.places.ledger) and not self._is_readable():
            self.wrong.append("left: the ledger cannot be read while the disk is full")
        self.mended.set()
        self._filler.join()
        for path in self.root.glob("filler*"):
            path.unlink()
        _mount("-o", f"remount,rw,size={self.size_mib + 64}m,nr_inodes=100000", str(self.tight))

    def complaints(self) -> list[str]:
        if self._stays_full and not self._is_told():
            last = self.log.read_text(errors="replace")[-500:]
            self.wrong.append(f"left: nobody said '{WORDS[self.kind][0]}', but last: {last!r}")
        return self.wrong + super().complaints()

    @property
    def _stays_full(self) -> bool:
        """Else the ballast, let go, may be room enough."""
        return self.at_s < 0 and (self.greedy or self.kind == "read-only")

    def _is_told(self) -> bool:
        said = self.log.read_text()
        return any(word in said for word in WORDS[self.kind])

    def let_go(self) -> None:
        """Unmount, whoever still looks in."""
        with contextlib.suppress(subprocess.CalledProcessError):
            subprocess.run(["umount", "-l", str(self.tight)], check=True, stderr=subprocess.DEVNULL)

    def _fill(self) -> None:
        while not (self.at_s < 0 and self.greedy) and b"watching" not in self.log.read_bytes():
            time.sleep(0.01)  # the others meet a full disk at their start
        time.sleep(max(0.0, self.at_s))
        if self.kind == "read-only":
            while not self.mended.is_set():
                with contextlib.suppress(subprocess.CalledProcessError):  # somebody writes just now
                    _mount("-o", "remount,ro", str(self.tight))
                    break
            self._full.set()
            return
        while not self.mended.is_set():
            (self._no_inodes if self.kind == "inodes" else self._no_space)()
            self._full.set()
            if not self.greedy:
                return
            time.sleep(0.02)

    def _no_space(self) -> None:
        with contextlib.suppress(OSError), (self.root / "filler").open("ab", buffering=0) as filler:
            for size in (MIB, 4096):
                with contextlib.suppress(OSError):
                    while filler.write(bytes(size)):
                        pass

    def _no_inodes(self) -> None:
        with contextlib.suppress(OSError):
            for number in range(10_000):
                (self.root / f"filler{number}").touch(exist_ok=True)

    def _is_readable(self) -> bool:
        for _ in range(20):  # a commit may be under way
            with contextlib.suppress(MachineFault, NotFound), LedgerView.read(self.places.ledger) as ledger:
                ledger.jobs()
                return True
            time.sleep(0.1)
        return False


def _mount(*args: str) -> None:
    subprocess.run(["mount", *args], check=True, stderr=subprocess.DEVNULL)


def _missing() -> str:
    if why := faulty_kit.missing():
        return why
    if os.geteuid() != 0:
        return "root, to mount file systems"
    with tempfile.TemporaryDirectory() as name:
        try:
            _mount("-t", "tmpfs", "tmpfs", name)
        except (OSError, subprocess.CalledProcessError):
            return "the right to mount a tmpfs"
        subprocess.run(["umount", name], check=True)
    return ""


def _run(
    context: multiprocessing.context.BaseContext,
    folder: Path,
    disk: tuple[int, Kind, float, bool],
    profile: bytes,
) -> Verdict:
    size, kind, at_s, greedy = disk
    with tempfile.TemporaryDirectory(dir=folder, ignore_cleanup_errors=True) as name:
        studio = Tight(Path(name), Schedule("none"), size_mib=size, kind=kind, at_s=at_s, greedy=greedy)
        try:
            studio.lay_out(profile)
            return endure(studio, forked(context, studio), _picture, deadline_s=DEADLINE_S)
        finally:
            studio.mended.set()
            studio.let_go()


def _picture(number: int) -> bytes:
    return b"\xff\xd8" + random.Random(number).randbytes(PICTURE_BYTES) + b"\xff\xd9"


def _disks(seed: int, count: int) -> list[tuple[int, Kind, float, bool]]:
    """Sizes spread evenly over 1 to 64 MiB; a third of them is full before the first picture is begun (a negative time), the others at any moment."""
    rng = random.Random(seed)
    kinds: tuple[Kind, ...] = ("space", "space", "inodes", "space", "read-only", "space")
    found = []
    for number in range(count):
        size = 1 + round(63 * number / max(1, count - 1))
        at_s = -1.0 if number % 3 == 0 else rng.uniform(0.0, 0.6)
        found.append((size, kinds[number % len(kinds)], at_s, rng.random() < 0.5))
    return found


def _all(seed: int, count: int) -> Outcome:
    disks = _disks(seed, count)
    with quick_folder() as folder, forking(compiled(folder)) as context, ThreadPoolExecutor(AT_ONCE) as pool:
        profile = srgb()
        verdicts = list(pool.map(lambda disk: _run(context, folder, disk, profile), disks))
    for disk, verdict in zip(disks, verdicts, strict=True):
        if verdict.complaints:
            print(f"{disk}: {'; '.join(verdict.complaints)}", file=sys.stderr)
    wrong = [one for verdict in verdicts for one in verdict.complaints]
    slowest = max(verdict.resumed_s for verdict in verdicts)
    figures = (
        f"{count} file systems of 1 to 64 MiB, {counted(wrong, 'lost', 'twice', 'charged')}; "
        f"{sum(len(verdict.ends) for verdict in verdicts)} ends with 74; all out {slowest:.1f} s after there was room"
    )
    return Outcome(not wrong, figures)


ROW = Row(
    name="full-disk",
    says="full and read-only file systems: nothing lost, nothing twice, the ledger readable, going on by itself (root only)",
    short=lambda seed: _all(seed, 6),
    long=lambda seed: _all(seed, 60),
    missing=_missing,
)
