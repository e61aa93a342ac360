"""Fixtures of the intake's tests."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from intake_bench import Bench

from drydown import durable
from drydown.intake.complete import ignore_lease_breaks
from drydown.intake.folder import HotFolder, set_up


@pytest.fixture(autouse=True)
def _lease_breaks_are_ignored() -> Iterator[None]:
    before = signal.getsignal(signal.SIGIO)
    ignore_lease_breaks()
    yield
    signal.signal(signal.SIGIO, before)


@pytest.fixture
def hot(tmp_path: Path) -> HotFolder:
    path = tmp_path / "hot" / "final"
    return HotFolder("final", path, set_up(path, "folder-1"))


@pytest.fixture
def bench(hot: HotFolder) -> Bench:
    return Bench([hot])


@pytest.fixture
def fail_at(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, OSError], None]:
    """Let the first durable step of a name raise an error, once; `rename.done` is a rename that happened and then said no."""

    def arrange(step: str, error: OSError) -> None:
        left = [error]

        def listener(name: str) -> None:
            if name == step and left:
                raise left.pop()

        monkeypatch.setattr(durable, "on_step", listener)

    return arrange
