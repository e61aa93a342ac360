"""One job in words, for `drydown show`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from drydown.cli.show import below
from drydown.jobs.ledger_rows import EventRow, JobRow
from drydown.jobs.spec import AttemptResult, JobSpec, StepSpec


def job_words(row: JobRow, events: Iterable[EventRow], root: Path) -> Iterator[str]:
    """Lines: what it is, what was asked with the origin of each value, what was done, what happened when."""
    yield f"Job {row.id}: {row.state}" + (f" ({row.reason})" if row.reason else "")
    yield f"Picture: {row.source_name}, dropped in {row.hot_folder}" + (
        f", printed again after {row.again_of}" if row.again_of else ""
    )
    if row.sheet is not None:
        when = {"completed": "Sheet", "canceled": "Sheet, never published"}.get(
            row.state, "Sheet, once it is handed over"
        )
        yield f"{when}: {below(root, row.sheet)}"
    if row.spec is not None:
        yield from _asked(row.spec)
    if row.result is not None:
        yield from _done(row.result)
    yield "What happened:"
    for event in events:
        when = datetime.fromtimestamp(event.time).strftime("%Y-%m-%d %H:%M:%S")
        detail = f": {event.detail}" if event.detail else ""
        yield f"  {when}  {event.event}{f' (attempt {event.attempt})' if event.attempt else ''}{detail}"


def _asked(spec: JobSpec) -> Iterator[str]:
    stock = spec.stock
    yield (
        f"Recipe {spec.recipe} on {stock.name}"
        + (f", lot {stock.lot}" if stock.lot else "")
        + (f"; sheet {spec.sheet.name} ({spec.sheet.pwg}), {stock.ppi:g} pixels an inch")
    )
    yield f"Profile: {stock.profile_blake3[:16]} (BLAKE3), intent {stock.intent}, " + (
        "with black point compensation"
        if stock.black_point_compensation
        else "without black point compensation"
    )
    for note in spec.notes:
        yield f"Note: {note}"
    yield "Steps:"
    for step in (*spec.steps, spec.maker):
        yield f"  {_step(step, spec.asked.get(step.name, {}))}"


def _step(step: StepSpec, asked: Mapping[str, Any]) -> str:
    """`asked`: what a command laid over everything else."""
    use = "" if step.use == step.name else f" ({step.use})"
    values = [
        f"{key} = {_shown(value)} [{'command' if key in asked else step.origin.get(key, 'default')}]"
        for key, value in step.settings.items()
    ]
    return f"{step.name}{use}: " + (", ".join(values) or "no settings") + f"  -- {step.plugin.offered_by}"


def _shown(value: Any) -> str:
    if value is None:
        return "from the stock or the recipe"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _done(result: AttemptResult) -> Iterator[str]:
    read = result.record.get("read")
    if isinstance(read, dict):
        yield "Read: " + ", ".join(f"{key} {value}" for key, value in read.items() if value not in ("", None))
    for note in result.notes:
        level = "Warning" if note.get("level") == "warning" else "Note"
        yield f"{level} ({note.get('step') or 'reading'}): {note.get('text')}"
    if result.seconds:
        times = ", ".join(f"{phase} {seconds:.2f}" for phase, seconds in result.seconds.items())
        yield f"Seconds: {times}; peak memory {result.peak_mb:g} MB"
