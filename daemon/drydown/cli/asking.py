"""Asking whoever holds the ledger: the running daemon by a request, else this process, which takes the lock and does it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from drydown.cli.show import listener
from drydown.errors import Busy, DrydownError, Exit, NotFound
from drydown.jobs import requests
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.lock import is_held
from drydown.jobs.places import Places
from drydown.jobs.requests import Answer
from drydown.jobs.states import Stage

LOOK_S = 0.2


def view(root: Path) -> LedgerView:
    """The ledger, to be read only. Raises NotFound in a studio without one."""
    places = Places(root)
    if not places.ledger.exists():
        raise NotFound("this studio has had no jobs yet; start it with drydown watch, or use drydown run")
    return LedgerView.read(places.ledger)


def ask_once(root: Path, verb: str, args: Mapping[str, Any]) -> dict[str, Any]:
    """Have something done that makes no job; answers its data. Raises DrydownError with what was said against it."""
    from drydown.service.asks import obey
    from drydown.service.workshop import Workshop

    given = {key: value for key, value in args.items() if value is not None}
    try:
        with (
            listener() as shown,
            Workshop(root, what=f"drydown {verb}", say=shown.say, wake=lambda: None) as workshop,
        ):
            _, answer = obey(workshop, verb, given)
    except Busy:
        answer = _through_the_daemon(root, verb, given)
    return said(answer)


def ask_for_jobs(root: Path, verb: str, args: Mapping[str, Any]) -> list[JobRow]:
    """Have jobs made, and wait until each is at rest. Raises DrydownError with what was said against it."""
    from drydown.intake.hints import Hints
    from drydown.service.asks import obey
    from drydown.service.run import work_through
    from drydown.service.workshop import Workshop

    view(root).close()
    given = {key: value for key, value in args.items() if value is not None}
    hints = Hints()
    with listener() as shown:
        try:
            with Workshop(root, what=f"drydown {verb}", say=shown.say, wake=hints.wake) as workshop:
                rows, answer = obey(workshop, verb, given)
                said(answer)
                return work_through(workshop, [row.id for row in rows], hints, shown)
        except Busy:
            jobs = said(_through_the_daemon(root, verb, given))["jobs"]
            return followed(root, jobs, shown.job)


def _through_the_daemon(root: Path, verb: str, args: Mapping[str, Any]) -> Answer:
    places = Places(root)
    name = requests.ask(places.requests, verb, args, now=time.time())
    return requests.follow(places.requests, name, clock=time.monotonic, sleep=time.sleep)


def said(answer: Answer) -> dict[str, Any]:
    """What the daemon answered. Raises what it refused, with its exit code."""
    if answer.exit is Exit.OK:
        return dict(answer.data or {})
    error = DrydownError(answer.message)
    error.exit_code = answer.exit
    raise error


def followed(root: Path, jobs: list[str], show: Callable[[JobRow], None]) -> list[JobRow]:
    """Watch the daemon's ledger until every one of `jobs` is final or held."""
    places = Places(root)
    with LedgerView.read(places.ledger) as ledger:
        while True:
            rows = [ledger.job(job) for job in jobs]
            for row in rows:
                show(row)
            if all(row.is_final or row.stage is Stage.HELD for row in rows):
                return rows
            if not is_held(places.lock):
                raise Busy("the daemon has ended; what it had taken waits for the next drydown watch")
            time.sleep(LOOK_S)
