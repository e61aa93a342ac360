"""Whether a dropped picture is one that its hot folder has printed already, in the same way: then a person is asked, or it is refused.

A job is a *drop*; what two drops may share is the *print*: the bytes of the picture, the hot folder, and all of the plan that decides what the
sheet looks like. So the name of the file does not matter, and after a change of recipe, stock, sheet or settled values the same picture is
another print. Nothing is ever deleted: a repeat is a staged sheet that waits, or a refused original that is kept.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from blake3 import blake3

from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.places import Places
from drydown.jobs.states import Stage

IDENTITY_BYTES = 16
HOUR_S = 3600.0

#: What of a plan decides what the sheet looks like, beside its steps, its sheet maker and its stock.
_DECIDING = (
    "hot_folder", "sheet", "final_sheet", "margins_mm", "leaf", "viewing_mm", "untagged", "copies", "edition",
)  # fmt: skip
#: What of a stock does not: times to wait, and the folder of kept profiles, whose hash says more.
_IDLE_STOCK = ("profile", "dry_minutes", "cure_hours")


@dataclass(frozen=True, slots=True)
class Repeat:
    """A print that was asked for before. `before`: the job that has it; `hours`: the window that was looked at."""

    before: JobRow
    hours: float
    refused: bool  #: the hot folder wants no question, but a refusal

    def told(self, places: Places) -> str:
        """Which job, which sheet and when, as a sentence."""
        row = self.before
        waits = row.stage in (Stage.STAGED, Stage.HELD)
        sheet = "" if row.sheet is None else f", {'sheet' if waits else 'as'} {places.shown(row.sheet)}"
        when = datetime.fromtimestamp(row.created).astimezone().strftime("%Y-%m-%d %H:%M")
        return (
            f"The same picture {'waits here' if waits else 'was printed'} already: job {row.id} "
            f"({row.source_name}, dropped {when}{sheet})."
        )

    def question(self, places: Places) -> str:
        """What a person is asked, and the next move."""
        return (
            f"{self.told(places)} If another print is wanted, approve the job; if it was a slip, cancel it."
        )

    def refusal(self, places: Places, job: str) -> str:
        """Why `job` is not printed, and how it can be."""
        return (
            f'{self.told(places)} Its hot folder refuses repeats within {self.hours:g} hours (repeated = "refuse"); '
            f"to print it once more: drydown retry {job}"
        )


def identity_of(spec: Mapping[str, Any], source_blake3: str) -> bytes:
    """Names the print: equal for two jobs exactly if picture, hot folder and everything that decides about the sheet are.

    `spec`: a plan as plain values. Empty where it, or the picture's hash, is not known: such a print equals no other.
    """
    if not spec or not source_blake3:
        return b""
    stock: Mapping[str, Any] = spec.get("stock") or {}
    deciding = {
        "picture": source_blake3,
        "companions": [other.get("blake3") for other in spec.get("companions") or ()],
        "steps": [_step(step) for step in (*(spec.get("steps") or ()), spec.get("maker") or {})],
        "stock": {name: value for name, value in stock.items() if name not in _IDLE_STOCK},
        **{name: spec.get(name) for name in _DECIDING},
    }
    text = json.dumps(deciding, sort_keys=True)
    # a studio may be moved, and kept files are named by their hash: the folder that they lie in says nothing
    kept = Path(str(stock.get("profile", ""))).parent
    text = text.replace(json.dumps(f"{kept}/")[1:-1], "")
    return blake3(text.encode()).digest(length=IDENTITY_BYTES)


def repeat_of(
    ledger: LedgerView, row: JobRow, source_blake3: str, record: Mapping[str, Any]
) -> Repeat | None:
    """The print that `row` repeats within the window of its plan; None where there is none, or nobody is to be asked.

    `record`: what its attempt said of the sheet. A sheet of patches to choose from is a proof: to drop its picture again is how proofing
    goes on, so unless the hot folder says otherwise it repeats nothing.
    """
    spec = row.spec_data
    hours, policy = float(spec.get("repeat_hours") or 0), spec.get("repeated")
    maker = record.get("maker")  # a plugin may have written anything
    proof = isinstance(maker, Mapping) and "patches" in maker
    if hours <= 0 or policy == "print" or (policy is None and proof):
        return None
    identity = identity_of(spec, source_blake3)
    before = ledger.same_print(identity, row, since=row.created - hours * HOUR_S) if identity else None
    return None if before is None else Repeat(before, hours, refused=policy == "refuse")


def _step(step: Mapping[str, Any]) -> list[Any]:
    """What of a step decides; not where its settings came from."""
    return [step.get("use"), step.get("settings"), (step.get("plugin") or {}).get("blake3")]
