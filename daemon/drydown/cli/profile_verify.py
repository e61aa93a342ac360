"""`drydown profile verify`: a measured chart against what the stock's profile promises; the verdict goes into the ledger."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drydown.cli import find_studio
from drydown.cli.measured_chart import condition_of, readings_of, stock_and_readings, stock_of
from drydown.errors import Exit, Fault, NotFound, Refusal, StudioError

if TYPE_CHECKING:
    from drydown.measuring.measurement import Measurement
    from drydown.measuring.verify import Verification


@click.command()
@stock_and_readings
@click.option(
    "--also",
    multiple=True,
    type=click.Path(path_type=Path),
    help="The same chart read in M2 (or M1): tells the paper's brightener.",
)
@click.option("--anyway", is_flag=True, help="Compare across ISO 13655 conditions.")
@click.option("--dry-run", is_flag=True, help="Say it, and write nothing into the ledger.")
@click.option("--json", "as_json", is_flag=True, help="The figures as one JSON object.")
@click.pass_context
def verify(
    context: click.Context,
    stock: str,
    measured: tuple[Path, ...],
    reference: Path | None,
    also: tuple[Path, ...],
    anyway: bool,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Compare MEASURED, a chart's readings as CGATS text in one file or one a page, with STOCK's profile. Ends with 1 where a limit is passed over.

    While the last verification of this very profile passes, test strips start with steps of 4 CC instead of 10.
    """
    root = find_studio(context.obj)
    from drydown.measuring import verify as measuring
    from drydown.studio.settled import hash_file

    studio, file = stock_of(root, stock)
    limits, profile = file.limits or studio.settings.verify, studio.profile(stock)
    icc = _profile(profile, stock)
    readings = readings_of(measured, reference)
    found = measuring.verify(
        readings,
        icc,
        stock=stock,
        profile_condition=condition_of(file, icc),
        limits=measuring.Limits(**limits.model_dump()),
        anyway=anyway,
    )
    bright = measuring.brightener(readings, readings_of(also, reference)) if also else None
    report = {
        **found.data(),
        "brightener_b": bright,
        "source": readings.source,
        "source_blake3": " ".join(hash_file(file) for file in measured),
        "profile_blake3": hash_file(profile),
        "lot": file.lot,
    }
    if as_json:
        click.echo(json.dumps({"stock": stock, **report}, ensure_ascii=False))
    else:
        for line in _words(stock, readings, found, bright):
            click.echo(line)
    if not dry_run:
        from drydown.cli.asking import ask_once

        ask_once(root, "verified", {"stock": stock, "report": json.dumps(report)})
    return Exit.OK if found.passed else Exit.SOME_NOT_COMPLETED


def _profile(path: Path, stock: str) -> bytes:
    from drydown.imaging.icc import check_output

    try:
        icc = path.read_bytes()
        check_output(icc)
    except FileNotFoundError:
        raise NotFound(f"the profile of stock {stock} is not at {path}; put it back, or build one") from None
    except Refusal as error:
        raise StudioError([Fault(f"stocks/{stock}.toml", "profile", str(error).rstrip("."))]) from None
    return icc


def _words(stock: str, readings: Measurement, found: Verification, bright: float | None) -> Iterator[str]:
    yield f"{stock}: {'passed' if found.passed else 'NOT passed'}, {found.patches} patches of {readings.source} ({readings.condition})"
    for check in found.checks:
        value = "not on the chart" if check.found is None else f"{check.found:.2f}"
        yield f"  {'ok ' if check.passed else 'NO '} {check.name:<16} {value:>8}   limit {check.limit:g}"
    yield f"      largest          {found.largest:>8.2f}"
    if found.greys_worst is not None:
        yield f"      worst grey       {found.greys_worst:>8.2f}   of {found.greys}"
    if found.paper:
        yield "      paper            L* {:z.1f}  a* {:z.1f}  b* {:z.1f}".format(*found.paper)
    if bright is not None:
        yield f"      brightener       {bright:>8.2f}   b* of bare paper, M2 less M1"
    yield from _repeat_words(found)
    yield "  farthest off:"
    for worst in found.worst:
        yield f"    {worst.de00:5.2f}  {worst.patch}: {_lab(worst.measured)} where {_lab(worst.expected)} was promised"
    for note in found.notes:
        yield f"  note: {note}"
    if not found.passed:
        yield "  the next move: nozzle check, the same driver settings and paper lot? Print the chart again; if it stays, build a new profile"


def _repeat_words(found: Verification) -> Iterator[str]:
    repeats = found.repeats
    if repeats.mean is None:
        return
    parts: list[tuple[str, Any]] = [
        ("on a page", repeats.within),
        ("between pages", repeats.between),
        ("top to foot", repeats.drift),
    ]
    more = ", ".join(f"{name} {value:.2f}" for name, value in parts if value is not None)
    yield f"      repeats          {repeats.mean:>8.2f}   {repeats.readings} readings of {repeats.groups} colours{f'; {more}' if more else ''}"


def _lab(Lab: tuple[float, float, float]) -> str:
    return " ".join(f"{part:z.1f}" for part in Lab)
