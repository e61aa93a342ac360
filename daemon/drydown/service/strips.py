"""Printed strips as the ledger remembers them: what can be chosen from one, and whether the recipe is still the one that it shows.

Reads rows and a studio; writes nothing, so that a command may use it beside a running daemon.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drydown.api import Value
from drydown.errors import Conflict
from drydown.jobs.ledger_rows import EventRow, JobRow
from drydown.jobs.names import is_job
from drydown.jobs.spec import JobSpec, StepSpec
from drydown.jobs.states import Stage
from drydown.proofing.settle import HOLDS, INKS, Strip, Values, laying_down, step_of, without_common
from drydown.studio.guess import listed
from drydown.studio.resolve import Resolved
from drydown.studio.settled import INK_KEYS, StockPrint, hash_file
from drydown.studio.words import setting

_KEPT_DIGITS = 32  #: of the hash that a kept file is named by


@dataclass(frozen=True, slots=True)
class PrintedStrip:
    """A strip that came out: its job, its plan, its patches."""

    row: JobRow
    spec: JobSpec
    strip: Strip

    @property
    def uses(self) -> dict[str, str]:
        """Name of a step -> what it uses."""
        return {step.name: step.use for step in self.spec.steps}

    def job_of(self, number: int) -> str:
        """The job that the n-th picture came from: 0 is the strip's own."""
        return self.spec.companions[number - 1].job if number else self.row.id


def printed_strip(row: JobRow) -> PrintedStrip:
    """The strip of a job. Raises Conflict where the job has none, saying what it is instead."""
    try:
        spec, result = row.spec, row.result
    except ValueError as error:
        raise Conflict(f"the record of job {row.id} cannot be read by this program ({error})") from error
    if row.stage is not Stage.DONE:
        raise Conflict(
            f"job {row.id} is {row.state}: a patch can be chosen once its strip is completed; `drydown show {row.id}` says how far it is"
        )
    if spec is None or result is None:
        raise Conflict(f"job {row.id} has no plan or no result on record, so nothing can be chosen from it")
    maker = result.record.get("maker")
    try:
        strip = Strip.read(maker if isinstance(maker, Mapping) else {})
    except Conflict as error:
        raise Conflict(
            f"nothing can be chosen from job {row.id} ({row.source_name}, {spec.maker.use}): {error}; "
            "name a job that a test strip came out of, `drydown jobs` lists them"
        ) from None
    return PrintedStrip(row, spec, strip)


def stock_print(spec: JobSpec) -> StockPrint:
    """The paper, ink and driver settings that a job was made for."""
    stock = spec.stock
    ticket = {key: stock.ticket[key] for key in INK_KEYS if stock.ticket.get(key)}
    return StockPrint(name=stock.name, profile_blake3=stock.profile_blake3, lot=stock.lot, ticket=ticket)


def dropped_name(row: JobRow) -> str:
    """The name of a job's picture as a person dropped it, without its folder."""
    name = (row.dropped or Path(row.source_name)).name
    stem, dot, suffix = name.rpartition(".")
    own, _, job = stem.rpartition("__")
    put_away = (
        row.copied and row.again_of and own and is_job(job)
    )  # a copy of what was put away under its job's name
    return f"{own}{dot}{suffix}" if put_away else name


def published_s(events: Iterable[EventRow]) -> float | None:
    """When the sheet of a job came out, seconds since 1970; None where that is not on record."""
    return next((event.time for event in events if event.event == "published"), None)


def as_laid_down(printed: PrintedStrip, values: Values) -> dict[str, Value | None]:
    """Values in which no lightness is held any more: the numbers that reached the paper. Loads the profile where one is needed.

    Before `convert` the numbers hang on the picture's own profile; there they stay as they are, and lightness stays held.
    """
    found, converted = dict(values), False
    for step in printed.spec.steps:
        converted |= step.use == "convert"
        own = {f"{step.name}.{key}": value for key, value in step.settings.items()}
        holds = values.get(f"{step.name}.{HOLDS}", own.get(f"{step.name}.{HOLDS}"))
        touched = any(step_of(key) == step.name for key in values)
        if step.use != "balance" or not (converted and holds and touched):
            continue
        on_paper = laying_down(printed.spec.stock.profile.read_bytes())
        inks = {key: value for key, value in own.items() if key.rpartition(".")[2] in INKS}
        found = without_common({**inks, **found}, step.name, on_paper)
    return found


def steps_changed(spec: JobSpec, now: Resolved, chosen: Collection[str]) -> list[str]:
    """In words, what a person has changed in the recipe since a strip was planned, but for the `chosen` settings; empty where nothing.

    What was settled, then or since, and what the picture brought along are no changes of the recipe.
    """
    if spec.stock.name != now.stock_name:
        return [f"it was for stock {spec.stock.name}, and is for {now.stock_name} now"]
    before = [(step.name, step.use) for step in spec.steps]
    after = [(step.name, step.use) for step in now.steps]
    if before != after:
        return [f"its steps were {_steps(before)}, and are {_steps(after)} now"]
    return [change for step in spec.steps for change in _settings_changed(step, now, chosen)]


def _settings_changed(step: StepSpec, now: Resolved, chosen: Collection[str]) -> Iterator[str]:
    here = now.step(step.name)
    assert here is not None
    values = here.values()
    for key in dict.fromkeys((*step.settings, *values)):
        full = f"{step.name}.{key}"
        origins = {step.origin.get(key), here.origin.get(key)}
        if full in chosen or origins & {"settled", "picture"}:
            continue
        old, new = step.settings.get(key), values.get(key)
        if isinstance(path := getattr(here.settings, key, None), Path):
            new = _kept_digits(hash_file(path))
            old = Path(str(old)).stem if old else None
        if old != new:
            yield f"{full} was {_shown(old)}, and is {_shown(new)} now"


def standing(now: Resolved, keys: Iterable[str]) -> dict[str, Value | None]:
    """The values of settings (`balance.magenta`) as the recipe has them now; settings that it has not are left out."""
    found: dict[str, Value | None] = {}
    for key in keys:
        step = now.step(step_of(key))
        values: Mapping[str, Any] = {} if step is None else step.values()
        name = key.partition(".")[2]
        if name in values:
            found[key] = values[name]
    return found


def _kept_digits(digest: str) -> str:
    return digest[:_KEPT_DIGITS]


def _steps(steps: list[tuple[str, str]]) -> str:
    return listed(name if name == use else f"{name} ({use})" for name, use in steps)


def _shown(value: Any) -> str:
    return "left to the stock" if value is None else setting(value)
