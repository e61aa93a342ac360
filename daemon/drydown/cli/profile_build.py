"""`drydown profile build`: from a measured chart to an ICC profile, written aside or put in the place of the stock's."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from drydown.cli import find_studio
from drydown.cli.measured_chart import condition_of, readings_of, stock_and_readings, stock_of
from drydown.errors import Exit
from drydown.showing import shown

if TYPE_CHECKING:
    from drydown.measuring.measurement import Condition, Measurement
    from drydown.studio.stock import StockFile


@click.command()
@stock_and_readings
@click.option(
    "--version",
    "icc_version",
    type=click.Choice(["2", "4"]),
    default="2",
    show_default=True,
    help="ICC version: 2 is read by everything.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write (default: STOCK.icc here).",
)
@click.option(
    "--install",
    "do_install",
    is_flag=True,
    help="Replace the file that the stock names; the old one is kept.",
)
@click.option(
    "--leave-out",
    multiple=True,
    metavar="NAME",
    help="A patch's id, its place (1B12) or a row (1B) to build without.",
)
@click.option(
    "--anyway", is_flag=True, help="Build from another stock's chart or across ISO 13655 conditions."
)
@click.option("--matte", is_flag=True, help="Say in the profile that the paper is matte.")
@click.option("--json", "as_json", is_flag=True, help="The report as one JSON object.")
@click.pass_context
def build(
    context: click.Context,
    stock: str,
    measured: tuple[Path, ...],
    reference: Path | None,
    icc_version: str,
    out: Path | None,
    do_install: bool,
    leave_out: tuple[str, ...],
    anyway: bool,
    matte: bool,
    as_json: bool,
) -> int:
    """Build a profile for STOCK from MEASURED, a chart's readings as CGATS text in one file or one a page.

    Nothing is written before the profile is whole and was opened again. The stock's own file is written by hand and stays as it is.
    """
    if out and do_install:
        raise click.UsageError("--out writes a file aside, --install replaces the stock's: give one of them")
    if out and not out.absolute().parent.is_dir():
        raise click.UsageError(f"there is no folder {shown(str(out.parent))} to write {shown(out.name)} into")
    # before numpy is loaded: fields are fitted side by side, and a thread pool below each of them would only get in the way
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    root = find_studio(context.obj)
    from drydown.imaging.icc import check_output
    from drydown.profiling.build import build as build_profile
    from drydown.profiling.words import report_lines

    studio, file = stock_of(root, stock)
    path = studio.profile(stock)
    present = _present(path)
    now = datetime.now(UTC)
    version: Literal[2, 4] = 4 if icc_version == "4" else 2
    built = build_profile(
        _readings(measured, reference),
        stock=stock,
        description=f"{stock}, {now.date().isoformat()}",
        condition=_condition(file, present),
        present=present,
        leave_out=leave_out,
        anyway=anyway,
        matte=matte,
        version=version,
        created=now,
    )
    check_output(built.icc)
    target = path if do_install else out or Path(f"{stock}.icc")
    kept = _write(built.icc, target, now, keep=do_install)
    if as_json:
        said = {"stock": stock, "profile": str(target), "kept": str(kept) if kept else None}
        click.echo(json.dumps({**said, **built.report.data()}, ensure_ascii=False))
        return Exit.OK
    for line in report_lines(stock, built.report):
        click.echo(line)
    click.echo(f"  written     {target}" + (f"; the old one is kept as {kept.name}" if kept else ""))
    if do_install:
        click.echo(
            f"  next        state profile_made = {now.date().isoformat()} in stocks/{stock}.toml, print a strip, verify"
        )
    return Exit.OK


def _present(path: Path) -> bytes | None:
    """The profile that the stock has now; one that cannot be used tells nothing, and replacing it may be why we are called."""
    from drydown.errors import Refusal
    from drydown.imaging.icc import check_output

    if not path.is_file():
        return None
    icc = path.read_bytes()
    try:
        check_output(icc)
    except Refusal:
        return None
    return icc


def _condition(file: StockFile, present: bytes | None) -> Condition:
    from drydown.measuring.measurement import Condition

    if present is None:
        return Condition(mode=file.measurement or "", backing=file.backing or "")
    return condition_of(file, present)


def _readings(measured: tuple[Path, ...], reference: Path | None) -> Measurement:
    """The readings, with a text that holds all of them and their device values: it goes into the profile."""
    from drydown.measuring.writer import cgats_text

    readings = readings_of(measured, reference)
    if len(measured) == 1 and reference is None:
        return readings
    return replace(readings, text=cgats_text(readings).encode())


def _write(icc: bytes, target: Path, now: datetime, *, keep: bool) -> Path | None:
    from drydown.durable import write_atomic
    from drydown.profiling.install import install

    if keep:
        return install(icc, target, today=now.date())
    write_atomic(target, icc)
    return None
