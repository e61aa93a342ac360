"""Costly beginnings of tests, made once and put back for each."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path


class Shelf:
    """Keeps a folder as a beginning left it, and puts it back at the same place, so that the paths in a ledger stay true."""

    def __init__(self, root: Path) -> None:
        self.here, self._root = root / "here", root
        self._jobs: dict[str, str] = {}

    def clear(self) -> None:
        shutil.rmtree(self.here, ignore_errors=True)

    def job(self, name: str, make: Callable[[], str]) -> str:
        """The job that `make` makes here, with all that came of it."""
        if name in self._jobs:
            self.clear()
            shutil.copytree(self._root / name, self.here)
        else:
            self._jobs[name] = make()
            shutil.copytree(self.here, self._root / name)
        return self._jobs[name]

    def copy(self, name: str, to: Path) -> None:
        """What came of the job `name`, at another place: for tests that change nothing and do not ask where it was."""
        shutil.copytree(self._root / name, to)
