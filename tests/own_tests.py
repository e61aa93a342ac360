"""A plugin's own tests, run as its author runs them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def own_tests(folder: Path, tests: str = "tests") -> subprocess.CompletedProcess[str]:
    """pytest in `folder`, leaving nothing there; the largest picture of the contract is left to the contract's own tests."""
    options = ["-q", "-p", "no:cacheprovider", "-k", "not very_large"]
    return subprocess.run(
        [sys.executable, "-m", "pytest", *options, tests],
        cwd=folder,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )
