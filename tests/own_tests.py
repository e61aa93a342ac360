"""A plugin's own tests, run as its author runs them."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from tests.e2e.warm import warm


def own_tests(folder: Path, tests: str = "tests") -> subprocess.CompletedProcess[str]:
    """pytest in `folder`, leaving nothing there; the largest picture of the contract is left to the contract's own tests.

    Its temporary files get a place of their own: at its usual one it removes what earlier runs have left, also ours, and a disk takes a minute for that.
    """
    with tempfile.TemporaryDirectory() as aside:
        options = ["-q", "-p", "no:cacheprovider", "--basetemp", f"{aside}/own", "-k", "not very_large"]
        return warm().python(
            ["-m", "pytest", *options, tests],
            folder=folder,
            timeout_s=120,
            more={"PYTHONDONTWRITEBYTECODE": "1"},
        )
