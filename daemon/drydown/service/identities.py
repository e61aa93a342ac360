"""The identity of each hot folder as the ledger remembers it: what its marker must say. A folder that it does not know yet may be set up."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from drydown.errors import DrydownError
from drydown.jobs.ledger_view import LedgerView

EXPECTED = "?"  #: in place of an identity: a marker must be there, nobody knows which


def fact_of(path: Path) -> str:
    """What the ledger's fact about a hot folder is called."""
    return f"hot {path}"


def marked(identity: str) -> str:
    """What the marker must say; empty where any will do."""
    return "" if identity == EXPECTED else identity


def known(ledger: Path, hot: Mapping[str, Path]) -> dict[str, str]:
    """Name of a hot folder -> its identity, empty where it is not known; nothing where there is no ledger yet, or none that can be read."""
    try:
        with LedgerView.read(ledger) as view:
            return {name: view.fact(fact_of(path)) for name, path in hot.items()}
    except DrydownError:
        return {}
