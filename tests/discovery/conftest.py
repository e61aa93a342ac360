"""Each try of a plugin file in a fork."""

from __future__ import annotations

import pytest

from drydown.discovery import tryout


@pytest.fixture(autouse=True)
def forked(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a program of one thread: a runner's second thread, which no plugin meets, would have a fresh interpreter started for each file.

    That both ways say the same is a test of its own.
    """
    monkeypatch.setattr(tryout, "_alone", lambda: True)
