"""All that a plugin may import, together with `drydown.imaging`.

A *step* is a function `(frame, settings, job) -> frame`: frozen values in, a new value out, no other effect. A *sheet maker*
ends the chain: `(render, settings, job) -> finished`. One hook, `drydown_steps`, offers them; the recipe alone decides what runs and in what order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pluggy
from pydantic import Field

from drydown.api.frame import Frame, Note
from drydown.api.job import Job, Sheet, Stock
from drydown.api.offers import (
    API,
    Finished,
    Offer,
    Render,
    Settings,
    SheetMaker,
    SheetOffer,
    Step,
    StepOffer,
    sheet_maker,
    step,
)
from drydown.api.values import MM_PER_INCH, Box, EdgesMm, Intent, SizeMm, Value
from drydown.errors import Hold, Refusal

__all__ = [
    "API",
    "MM_PER_INCH",
    "Box",
    "EdgesMm",
    "Field",
    "Finished",
    "Frame",
    "Hold",
    "Intent",
    "Job",
    "Note",
    "Offer",
    "Refusal",
    "Render",
    "Settings",
    "Sheet",
    "SheetMaker",
    "SheetOffer",
    "SizeMm",
    "Step",
    "StepOffer",
    "Stock",
    "Value",
    "hookimpl",
    "hookspec",
    "sheet_maker",
    "step",
]

PROJECT = "drydown"  #: pluggy's project name, and the prefix of every hook

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def drydown_steps() -> Iterable[Offer]:
    """Offer steps and sheet makers. Called once when plugins are found; must not look at pixels.

    Example::

        @hookimpl
        def drydown_steps():
            return [step(name="border", settings=Border, run=border)]
    """
    return ()


@hookspec
def drydown_job_finished(job: Mapping[str, Any], outcome: str) -> None:
    """A job has ended; `job` is its record as in `job.json`, `outcome` an RFC 8011 job state.

    May look, never touches pixels; runs in the daemon after publishing. An exception is logged and changes nothing for the job.
    """
