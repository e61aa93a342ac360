"""`drydown jobs`, `show`, `retry`, `approve`, `cancel`."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from drydown.cli import completing, find_studio
from drydown.cli.asking import view
from drydown.cli.show import SIGNS, listener, print_json
from drydown.errors import DrydownError, Exit, MachineFault, NotFound
from drydown.intake.names import typed_job_id
from drydown.jobs import requests
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.lock import is_held
from drydown.jobs.places import Places
from drydown.jobs.states import STATES

STATE_WORDS = sorted(set(STATES.values()))


@click.command(short_help="List jobs.")
@click.option(
    "--state",
    "states",
    multiple=True,
    type=click.Choice(STATE_WORDS),
    help="Only these job states (RFC 8011).",
)
@click.option(
    "--last", "limit", type=click.IntRange(1), default=40, show_default=True, help="How many, newest last."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a job.")
@click.pass_obj
def jobs(studio_dir: Path | None, states: tuple[str, ...], limit: int, as_json: bool) -> None:
    """List jobs, oldest first, then the files that a running daemon sees waiting in hot folders."""
    root = find_studio(studio_dir)
    with view(root) as ledger:
        rows = list(reversed(ledger.jobs(states or None, limit=limit)))
    if as_json:
        print_json([row.public() for row in rows])
        return
    for row in rows:
        when = datetime.fromtimestamp(row.updated).strftime("%Y-%m-%d %H:%M")
        reason = f"\n{'':36}{row.reason}" if row.reason else ""
        click.echo(f"{row.id}  {when}  {SIGNS[row.state]}  {row.source_name}  ({row.hot_folder}){reason}")
    if not states:
        from drydown.cli.live_words import waiting_lines

        for text in waiting_lines(root):
            click.echo(text)


@click.command(short_help="Show one job.")
@click.argument("job", shell_complete=completing.jobs)
@click.option("--json", "as_json", is_flag=True, help="The whole record as JSON.")
@click.pass_obj
def show(studio_dir: Path | None, job: str, as_json: bool) -> None:
    """Show one job: what was asked, what was done, and where every value came from."""
    root = find_studio(studio_dir)
    with view(root) as ledger:
        row = ledger.job(typed_job_id(job))
        events = ledger.events(row.id)
    if as_json:
        data = row.public() | {
            "spec": json.loads(row.spec_json or "null"),
            "result": json.loads(row.result_json or "null"),
            "events": [
                {
                    "time": event.time,
                    "event": event.event,
                    "stage": event.stage,
                    "attempt": event.attempt,
                    "detail": event.detail,
                }
                for event in events
            ],
        }
        click.echo(json.dumps(data, ensure_ascii=False, indent=1))
        return
    from drydown.cli.job_words import job_words

    for line in job_words(row, events, root):
        click.echo(line)


@click.command(short_help="Take held or aborted jobs up again.")
@click.argument("job_names", metavar="JOB...", nargs=-1, required=True, shell_complete=completing.jobs)
@click.option(
    "--anyway",
    is_flag=True,
    help="Pass over what a step holds it for; or print a completed picture once more.",
)
@click.pass_obj
def retry(studio_dir: Path | None, job_names: tuple[str, ...], anyway: bool) -> int:
    """Take jobs up again by the studio as it is now; an aborted one becomes a new job of the same picture."""
    return _do(find_studio(studio_dir), "retry", job_names, {"anyway": anyway})


@click.command(short_help="Let jobs through that wait for a look at their preview.")
@click.argument("job_names", metavar="JOB...", nargs=-1, required=True, shell_complete=completing.jobs)
@click.pass_obj
def approve(studio_dir: Path | None, job_names: tuple[str, ...]) -> int:
    """Hand over the finished sheets of jobs that wait for a person."""
    return _do(find_studio(studio_dir), "approve", job_names, {})


@click.command(short_help="Cancel jobs.")
@click.argument("job_names", metavar="JOB...", nargs=-1, required=True, shell_complete=completing.jobs)
@click.pass_obj
def cancel(studio_dir: Path | None, job_names: tuple[str, ...]) -> int:
    """Cancel jobs; their originals are kept in originals/refused/."""
    return _do(find_studio(studio_dir), "cancel", job_names, {})


def _do(root: Path, verb: str, names: tuple[str, ...], args: Mapping[str, Any]) -> int:
    """Through the running daemon where there is one, else here, working until what was asked for is at rest."""
    places = Places(root)
    if not places.ledger.exists():
        raise NotFound("this studio has had no jobs yet")
    if is_held(places.lock):
        return _through_the_daemon(places, verb, names, args)
    from drydown.intake.hints import Hints
    from drydown.service.asks import obey
    from drydown.service.run import work_through
    from drydown.service.workshop import Workshop

    hints = Hints()
    rows: list[JobRow] = []
    failed: DrydownError | None = None
    with (
        listener() as shown,
        Workshop(root, what=f"drydown {verb}", say=shown.say, wake=hints.wake) as workshop,
    ):
        for name in names:
            changed, answer = obey(workshop, verb, {"job": typed_job_id(name), **args})
            if answer.exit is not Exit.OK:
                failed = DrydownError(answer.message)
                failed.exit_code = answer.exit
                shown.say(answer.message)
            rows += changed
        rows = work_through(workshop, [row.id for row in rows], hints, shown) if rows else rows
        workshop.tell_observers(row for row in rows if verb != "retry")
    if failed is not None:
        return failed.exit_code
    wanted = {"retry": "completed", "approve": "completed", "cancel": "canceled"}[verb]
    return Exit.OK if all(row.state == wanted for row in rows) else Exit.SOME_NOT_COMPLETED


def _through_the_daemon(places: Places, verb: str, names: tuple[str, ...], args: Mapping[str, Any]) -> int:
    code: int = Exit.OK
    for name in names:
        asked = requests.ask(places.requests, verb, {"job": typed_job_id(name), **args}, now=time.time())
        try:
            answer = requests.follow(places.requests, asked, clock=time.monotonic, sleep=time.sleep)
        except MachineFault as error:
            click.echo(f"drydown: {error}", err=True)
            code = Exit.MACHINE
            continue
        if answer.exit is Exit.OK:
            click.echo(f"{verb}: {', '.join((answer.data or {}).get('jobs', [])) or name}")
        else:
            click.echo(f"drydown: {answer.message}", err=True)
            code = answer.exit
    return code
