"""How these tests try plugin files."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True, scope="module")
def _forked(forked_tries: None) -> None:
    """See tests/conftest.py."""
