"""`drydown profile history`: what verifications of a stock's profile have found, as a list and as a picture of how they drift."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drydown.cli import completing, find_studio
from drydown.errors import Exit, NotFound

if TYPE_CHECKING:
    from drydown.jobs.ledger_rows import VerifiedRow
    from drydown.measuring.drift_plot import Moment


@click.command()
@click.argument("stock", shell_complete=completing.stocks)
@click.option("--plot", type=click.Path(path_type=Path), help="Also draw it, as an SVG file.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a verification.")
@click.pass_context
def history(context: click.Context, stock: str, plot: Path | None, as_json: bool) -> int:
    """List the verifications of STOCK's profile, oldest first."""
    from drydown.cli.asking import view

    with view(find_studio(context.obj)) as ledger:
        rows = ledger.verifications(stock)
    if not rows:
        raise NotFound(
            f"the profile of {stock} was never verified; drydown profile verify {stock} MEASURED.txt"
        )
    for row in rows:
        click.echo(json.dumps({"time": row.time, "stock": stock, **row.report}) if as_json else _line(row))
    if plot is not None:
        from drydown.durable import write_atomic
        from drydown.measuring.drift_plot import drift_svg

        write_atomic(plot, drift_svg(stock, [_moment(row) for row in rows]).encode(), mode=0o644)
        if not as_json:
            click.echo(f"drawn: {plot}")
    return Exit.OK


def _line(row: VerifiedRow) -> str:
    when = datetime.fromtimestamp(row.time).strftime("%Y-%m-%d %H:%M")
    figures = ", ".join(
        f"{check['name']} {'-' if check['found'] is None else format(check['found'], '.2f')}"
        for check in row.report.get("checks", ())
    )
    return f"{when}  {'passed    ' if row.passed else 'NOT passed'}  {figures}  ({_words(row)})"


def _moment(row: VerifiedRow) -> Moment:
    from drydown.measuring.drift_plot import Moment

    figures = {check["name"]: (check["found"], check["limit"]) for check in row.report.get("checks", ())}
    return Moment(row.time, figures, _words(row))


def _words(row: VerifiedRow) -> str:
    condition = row.report.get("condition", {})
    stated = [
        condition.get("mode") or "mode not stated",
        condition.get("backing") and f"{condition['backing']} backing",
    ]
    return ", ".join(
        [*(word for word in stated if word), f"profile {row.report.get('profile_blake3', '')[:8]}"]
    )
