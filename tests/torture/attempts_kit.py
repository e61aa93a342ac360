"""A studio with a workbench: plans made as the daemon makes them, run by the real starter, forks and attempts, two at a time.

It watches what nobody inside may be trusted to tell: the children's memory, and every file that lies outside the attempts' folders.
"""

from __future__ import annotations

import itertools
import os
import shutil
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drydown.jobs.attempts import Attempts
from drydown.jobs.forks import Starter
from drydown.jobs.hashing import file_hash
from drydown.jobs.plan import Picture, plan
from drydown.jobs.spec import JobSpec
from drydown.service.house import House, open_house
from drydown.studio.resolve import resolve
from tests.e2e.studio import make_studio
from tests.torture.proc_kit import children_of, peak_mb

LOOK_S = 0.02  #: ten times as often as the daemon looks


@dataclass
class Bench:
    """A studio below `root`, its house, and the daemon's own way to run an attempt."""

    root: Path
    house: House
    starter: Starter
    attempts: Attempts
    peak_mb: dict[int, float] = field(default_factory=dict)  #: process id -> the most that was seen of it
    _numbers: Iterator[int] = field(default_factory=itertools.count)

    def spec(
        self, source: Path, recipe: str, *, maker: str = "final", asked: Mapping[str, Any] | None = None
    ) -> JobSpec:
        """The plan of a new job for a picture. `asked`: step -> settings over the recipe's."""
        studio = self.house.studio
        resolved = resolve(studio, recipe=recipe, maker=maker, sheet=None, picture=dict(asked or {}))
        picture = Picture(
            job=f"t{next(self._numbers):07}",
            hot_folder="run",
            prints=self.root / "prints" / "run",
            source=source,
            source_name=source.name,
            stem="picture",
            made="2026-01-01T00:00:00+00:00",
            anyway=True,
        )
        return plan(
            resolved,
            picture,
            origins=self.house.discovery.origins,
            limits=studio.settings.daemon,
            root=self.root,
            profiles=self.house.places.profiles,
        )

    def folder(self, spec: JobSpec) -> Path:
        """Where the attempt worked, with what it left."""
        return self.attempts.folder(spec.job, 1)

    def clear(self, spec: JobSpec) -> None:
        """Remove what the attempt left, as the desk does."""
        shutil.rmtree(self.folder(spec).parent, ignore_errors=True)


@contextmanager
def bench(root: Path, files: Mapping[str, str]) -> Iterator[Bench]:
    """A bench on a studio with the end-to-end tests' paper and `files` over it; the starter's children are watched until it closes."""
    make_studio(root, files)
    house = open_house(root)
    preload = {origin.module: origin for origin in house.discovery.origins.values()}
    starter = Starter(tuple(preload.values()), cores=1)
    made = Bench(root, house, starter, Attempts(starter, house.places.work))
    over = threading.Event()
    watcher = threading.Thread(target=_watch, args=(made, over))
    watcher.start()
    try:
        yield made
    finally:
        over.set()
        watcher.join()
        starter.close()


def _watch(bench: Bench, over: threading.Event) -> None:
    while not over.wait(LOOK_S):
        for pid in children_of(bench.starter.pid):
            bench.peak_mb[pid] = max(peak_mb(pid), bench.peak_mb.get(pid, 0.0))


Tree = dict[str, tuple[str, int]]


def tree(*roots: Path, but: Path) -> Tree:
    """Every file and folder below the roots except those below `but`, where others come and go meanwhile: path -> (hash of content or kind, mode)."""
    found: Tree = {}
    for root in roots:
        for folder, folders, files in os.walk(root):
            for path in (Path(folder, name) for name in (*folders, *files)):
                mode = path.lstat().st_mode
                if path.is_symlink() or not path.is_file():
                    found[str(path)] = ("no plain file", mode)
                else:
                    found[str(path)] = (file_hash(path), mode)
            folders[:] = [name for name in folders if Path(folder, name) != but]
    return found


def changes(before: Tree, after: Tree) -> list[str]:
    """What is new, gone or different."""
    return sorted(path for path in before.keys() | after.keys() if before.get(path) != after.get(path))
