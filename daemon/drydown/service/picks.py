"""What was chosen from a strip, as the ledger remembers it: a ranking, or a plain pick. The next strip starts from the later of the two."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from drydown.api import Value
from drydown.jobs.ledger import Ledger
from drydown.jobs.ledger_view import LedgerView
from drydown.service.strips import PrintedStrip
from drydown.studio.settled import SettledFile

IN_ORDER = " in order"  #: how the words for a ranking end


@dataclass(frozen=True, slots=True)
class Ranking:
    """The best patches in order. `still_off`: the first of them does not look right either."""

    patches: tuple[str, ...]
    time: float  #: seconds since 1970
    still_off: bool = False


@dataclass(frozen=True, slots=True)
class Pick:
    """One patch, or a point between two: the values of what the strip varies, and the choice in words."""

    values: Mapping[str, Value]
    said: str
    time: float


def remember(ledger: Ledger, job: str, chosen: Ranking | Pick) -> None:
    """Keep it; an earlier one of its kind is forgotten."""
    kind = "ranking" if isinstance(chosen, Ranking) else "pick"
    ledger.remember(_fact(kind, job), json.dumps(asdict(chosen)))


def remember_undone(ledger: Ledger, printed: PrintedStrip, left: SettledFile | None, now: float) -> None:
    """After an undo: the pick that holds again, where it is from the same strip and no ranking; else none."""
    pick = None if left is None else left.now
    if pick is None or pick.job != printed.row.id or pick.patch.endswith(IN_ORDER):
        ledger.remember(_fact("pick", printed.row.id), "")
    else:
        remember(ledger, printed.row.id, Pick(varied(printed, pick.values), pick.patch, now))


def varied(printed: PrintedStrip, values: Mapping[str, Value]) -> dict[str, Value]:
    """Those of the values that the strip varies."""
    return {key: value for key, value in values.items() if key in printed.strip.vary}


def ranking_of(ledger: LedgerView, job: str) -> Ranking | None:
    """The ranking of a strip, if any."""
    data = _kept(ledger, "ranking", job)
    if data is None:
        return None
    return Ranking(tuple(data["patches"]), float(data["time"]), bool(data["still_off"]))


def pick_of(ledger: LedgerView, job: str) -> Pick | None:
    """The plain pick of a strip, if any."""
    data = _kept(ledger, "pick", job)
    return None if data is None else Pick(data["values"], str(data["said"]), float(data["time"]))


def _kept(ledger: LedgerView, kind: str, job: str) -> dict[str, Any] | None:
    text = ledger.fact(_fact(kind, job))
    found = json.loads(text) if text else None
    return found if isinstance(found, dict) else None


def _fact(kind: str, job: str) -> str:
    return f"{kind} {job}"
