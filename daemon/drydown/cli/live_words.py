"""`drydown check --live`: how the running daemon is, in words; and the files that wait in hot folders, for `drydown jobs`."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from drydown.errors import DrydownError, Exit
from drydown.jobs.places import Places
from drydown.service.live import STALE_S, FolderLine, Live, read_live


def show_live(root: Path, *, as_json: bool) -> int:
    """Print how the daemon is. Exits with 0 when all is well, 74 when something stands in its way or it has gone silent; raises NotFound where none runs."""
    live, age_s = read_live(Places(root))
    stale = age_s >= STALE_S
    if as_json:
        click.echo(json.dumps(_as_json(live, age_s, stale=stale), ensure_ascii=False, indent=1))
    else:
        for line in _lines(live, age_s, stale=stale):
            click.echo(line)
    return Exit.MACHINE if stale or live.troubles else Exit.OK


def waiting_lines(root: Path) -> Iterator[str]:
    """A line for each file that waits in a hot folder, as far as a running daemon has told; nothing where none runs."""
    try:
        live, _ = read_live(Places(root))
    except DrydownError:
        return
    for folder in live.folders:
        for file in folder.oldest:
            yield f"{'(no job yet)':<31}  waits  {file.name}  ({folder.name})\n{'':36}{file.why}"
        if (more := folder.waiting - len(folder.oldest)) > 0:
            yield f"{'(no job yet)':<31}  waits  {more} more  ({folder.name})"


def _lines(live: Live, age_s: float, *, stale: bool) -> Iterator[str]:
    now = time.monotonic() - age_s
    if stale:
        yield (
            f"The daemon (process {live.pid}) has told nothing for {_span(age_s)}: it hangs, or the machine is too busy. "
            "What follows is how it was then."
        )
    yield f"Daemon: process {live.pid}, since {live.started}; starter: {live.starter or 'not started'}; told {_span(age_s)} ago"
    if live.resting:
        yield "It is resting: the machine failed, and it goes on by itself once that is mended."
    for trouble in live.troubles:
        yield f"  ! {trouble}"
    yield "\nHot folders"
    for folder in live.folders:
        yield from _folder_lines(folder, now)
    yield f"\nJobs: {len(live.at_work)} at work, {live.queued} queued, {live.paused} of them paused; {live.held} held"
    for one in live.at_work:
        pid = f", process {one.pid}" if one.pid else ""
        yield f"  at work   {one.job}  {one.source}, for {_span(now - one.since)}{pid}"
    for paused in live.paused_first:
        until = datetime.fromtimestamp(paused.until).strftime("%H:%M:%S")
        yield f"  paused    {paused.job}  {paused.source}, until {until}: {paused.reason}"


def _folder_lines(folder: FolderLine, now: float) -> Iterator[str]:
    looked = (
        "not looked at yet"
        if folder.looked_at is None
        else f"all looked at {_span(now - folder.looked_at)} ago"
    )
    mode = "events and rescans" if folder.mode == "events" else f"rescans only: {folder.mode_why}"
    yield f"  {folder.name}  ({folder.path})\n    {mode}; {looked}; {folder.waiting} waiting"
    if folder.oldest:
        first = folder.oldest[0]
        yield f"    oldest: {first.name}, for {_span(now - first.since)}: {first.why}"
    if folder.ignored:
        named = ", ".join(f"{one.name} ({one.why})" for one in folder.ignored_first)
        more = folder.ignored - len(folder.ignored_first)
        rest = f" and {more} more" if more > 0 else ""
        yield f"    left alone for the name: {folder.ignored}: {named}{rest}; rename what is a picture"


def _as_json(live: Live, age_s: float, *, stale: bool) -> dict[str, Any]:
    """The file's content, its monotonic times as seconds ago, which mean something elsewhere too."""
    now = time.monotonic()

    def told(value: object) -> object:
        if isinstance(value, dict):
            return {
                (f"{key}_s_ago" if key in ("since", "looked_at") else key): (
                    round(now - inner, 1)
                    if key in ("since", "looked_at") and isinstance(inner, float)
                    else told(inner)
                )
                for key, inner in value.items()
                if key != "written"
            }
        return [told(one) for one in value] if isinstance(value, list | tuple) else value

    found: Any = told(asdict(live))
    return {"stale": stale, "told_s_ago": round(age_s, 1), **found}


def _span(seconds: float) -> str:
    """A duration as a person says it."""
    seconds = max(0.0, seconds)
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
