"""A folder in memory where there is a place for that: thousands of runs, each with its dozens of syncs."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

#: Where temporary files need no disk; None where there is no such place.
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


@contextmanager
def quick_folder() -> Iterator[Path]:
    """A new folder, removed with the context, whatever still lies in it."""
    folder = Path(tempfile.mkdtemp(dir=MEMORY))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
