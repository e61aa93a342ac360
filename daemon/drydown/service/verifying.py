"""What a stock's last verification is good for: it is written into the ledger, and tells how wide a first strip reaches."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from drydown.errors import Exit, NotFound
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.requests import Answer
from drydown.studio.resolve import Resolved
from drydown.studio.settled import hash_file

if TYPE_CHECKING:
    from drydown.service.workshop import Workshop  # which imports the reception, and that this

#: The setting of a sheet maker that asks for it.
SETTING = "verified"


def note_verified(workshop: Workshop, args: Mapping[str, Any]) -> Answer:
    """Write a verification down. `args`: stock, report (as JSON). Raises NotFound."""
    if args["stock"] not in workshop.house.studio.stocks:
        raise NotFound(f"no stock is called {args['stock']}")
    ledger = workshop.desk.publisher.ledger
    history = ledger.verifications(args["stock"])
    if not history or not _same(json.loads(args["report"]), history[-1].report):
        ledger.verified(args["stock"], args["report"])
    return Answer(Exit.OK)


def _same(new: Mapping[str, Any], last: Mapping[str, Any]) -> bool:
    """True for the same readings of the same profile with the same verdict: asked for again, say after a crash."""
    keys = ("source_blake3", "profile_blake3", "passed", "comparable")
    return bool(new.get(keys[0])) and all(new.get(key) == last.get(key) for key in keys)


def with_verdict(resolved: Resolved, ledger: LedgerView) -> Resolved:
    """The same, its sheet maker told that the profile was verified, where the last verification passed and was of this very profile.

    What a person has written about it stays.
    """
    maker = resolved.maker
    if SETTING not in type(maker.settings).model_fields or SETTING in maker.origin:
        return resolved
    history = [row for row in ledger.verifications(resolved.stock_name) if row.report.get("comparable")]
    if not history or not history[-1].passed or not resolved.profile.is_file():
        return resolved
    if history[-1].report.get("profile_blake3") != hash_file(resolved.profile):
        return resolved
    settings = maker.settings.model_copy(update={SETTING: True})
    told = replace(maker, settings=settings, origin={**maker.origin, SETTING: "verification"})
    return replace(resolved, maker=told)
