"""Tests against what others published. Fetching takes its time, and what was fetched holds tests of its own that are not ours."""

from __future__ import annotations

from pathlib import Path

import pytest

collect_ignore = ["cache"]
HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.reference)
            item.add_marker(pytest.mark.timeout(900))


def pytest_configure() -> None:
    # the files are fetched by several clients at once where tests run side by side; each locks what it fetches
    (HERE / "cache").mkdir(exist_ok=True)
