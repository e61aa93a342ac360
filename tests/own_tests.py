"""A plugin's own tests, run as its author runs them."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.e2e.warm import warm


def own_tests(folder: Path, tests: str = "tests") -> subprocess.CompletedProcess[str]:
    """pytest in `folder`, leaving nothing there; the largest picture of the contract is left to the contract's own tests."""
    options = ["-q", "-p", "no:cacheprovider", "-k", "not very_large"]
    return warm().python(
        ["-m", "pytest", *options, tests],
        folder=folder,
        timeout_s=120,
        more={"PYTHONDONTWRITEBYTECODE": "1"},
    )
