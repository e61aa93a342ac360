"""A hot folder on a local disk, a scanner with a clock in the test's hand, and a way to stop a program between two durable steps."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from drydown import durable
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder
from drydown.intake.found import Found, IntakeTimes, Ready
from drydown.intake.rescan import Scanner

JOB = "0abc123def456"
OTHER_JOB = "0abc123def457"


@dataclass
class Bench:
    """Hot folders, their scanner, and the time."""

    folders: list[HotFolder]
    times: IntakeTimes = field(default_factory=IntakeTimes)
    kind: Kind = "local"
    now: float = 1000.0

    def __post_init__(self) -> None:
        self.scanner = Scanner(self.folders, self.times, lambda _path: self.kind)

    @property
    def path(self) -> Path:
        return self.folders[0].path

    def drop(self, name: str, data: bytes = b"a picture") -> Path:
        target = self.path / name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(data)
        return target

    def scan(self, told: tuple[Path, ...] = (), want: int | None = None, everything: bool = False) -> Found:
        return self.scanner.scan(self.now, [str(path) for path in told], want=want, everything=everything)

    def after(self, seconds: float, told: tuple[Path, ...] = (), want: int | None = None) -> Found:
        self.now += seconds
        return self.scan(told, want)

    def settled(self) -> list[Ready]:
        """What is ready after the quiet time of whatever lies there now."""
        self.scan(everything=True)
        return list(self.after(self.times.quiet_s(self.kind) + 0.1).ready)

    def why(self, name: str) -> str:
        return next(w.why for w in self.scanner.waiting(self.now) if w.relative == name)

    def names(self) -> list[str]:
        """What lies in the first hot folder, its own things left out."""
        return sorted(path.name for path in self.path.iterdir() if not path.name.startswith("."))


def steps_of(act: Callable[..., object], *args: object) -> int:
    """How many durable steps `act` takes."""
    names: list[str] = []
    before, durable.on_step = durable.on_step, names.append
    try:
        act(*args)
    finally:
        durable.on_step = before
    return len(names)


def crash_at(n: int, act: Callable[..., object], *args: object) -> bool:
    """Run `act(*args)` in a process of its own that dies at its n-th durable step (from 0), with no clean-up of any kind. True if it came that far."""
    child = os.fork()
    if child == 0:
        counted = 0

        def die(_name: str) -> None:
            nonlocal counted
            if counted == n:
                os._exit(77)
            counted += 1

        durable.on_step = die
        try:
            act(*args)
        except BaseException:
            os._exit(1)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, 77), f"it failed in another way at step {n}"
    return code == 77
