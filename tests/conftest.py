"""What many tests share."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.torture.quick_kit import MEMORY

# one thread for array libraries: the tests run side by side, and results must not depend on a thread pool's summing order
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# an example that is slow on a busy machine is no failure; what must be quick is measured in tests/bench
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")

# in memory where there is room: on a disk each job waits for dozens of syncs. What syncs are for is asked in tests/torture
if MEMORY and shutil.disk_usage(MEMORY).free > 4 << 30:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", MEMORY)


@pytest.fixture(scope="module")
def forked_tries() -> Iterator[None]:
    """Each try of a plugin file in a fork, as in a program of one thread.

    A runner's second thread, which no plugin meets, would have a fresh interpreter started for each file. That both ways say the same is a test
    of its own.
    """
    from drydown.discovery import tryout  # here: array libraries read the lines above when they are loaded

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tryout, "_alone", lambda: True)
        yield
