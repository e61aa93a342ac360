"""`drydown profile chart`: pages to print, their reference, and the ticket, in one folder that is whole or not there."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from drydown.cli import completing, find_studio
from drydown.errors import Conflict, Exit, Fault, NotFound, Refusal, StudioError

if TYPE_CHECKING:
    from drydown.api import Sheet
    from drydown.measuring.chart import Chart
    from drydown.studio.stock import StockFile


@click.command()
@click.argument("stock", shell_complete=completing.stocks)
@click.option("--sheet", help="Sheet size to print on (default: the smallest that the stock keeps).")
@click.option(
    "--patches", type=click.IntRange(60, 6000), default=918, show_default=True, help="Different colours."
)
@click.option(
    "--patch-mm", type=click.FloatRange(4, 40), default=8.0, show_default=True, help="Side of a patch."
)
@click.option(
    "--gap-mm", type=click.FloatRange(0, 10), help="Bare paper between patches (default: 0.5, or 1 for spot)."
)
@click.option(
    "--instrument",
    type=click.Choice(["strip", "spot"]),
    default="strip",
    show_default=True,
    help="Read by sliding along a row, or patch by patch.",
)
@click.option(
    "--seed", type=click.IntRange(0, 2**31), default=1, show_default=True, help="Of the random order."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to make (default: charts/NAME in the studio)."
)
@click.pass_context
def chart(
    context: click.Context,
    stock: str,
    sheet: str | None,
    patches: int,
    patch_mm: float,
    gap_mm: float | None,
    instrument: str,
    seed: int,
    out: Path | None,
) -> int:
    """Make a measurement chart for STOCK: patches of device values, to be printed without any colour handling and measured.

    Pages are 16-bit TIFF without an embedded profile, so that nothing on the way to the printer can find a reason to convert them.
    """
    root = find_studio(context.obj)
    from drydown.imaging.chart_layout import USUAL_GAP_MM, Instrument, chart_layout
    from drydown.measuring.chart import make_chart

    kind = cast(Instrument, instrument)
    file, paper, icc = _stock(root, stock, sheet)
    try:
        layout = chart_layout(
            paper,
            file.unprintable(),
            ppi=file.ppi,
            patch_mm=patch_mm,
            gap_mm=USUAL_GAP_MM[kind] if gap_mm is None else gap_mm,
            instrument=kind,
        )
        made = make_chart(stock, layout, instrument=kind, count=patches, seed=seed, profile=icc)
    except ValueError as error:
        raise NotFound(f"{error}; take a larger sheet, smaller patches or another number of them") from None
    folder = out or root / "charts" / made.name
    with _whole(folder) as filling:
        _write(filling, made, file, root)
    click.echo(
        f"{folder}: {len(made.codes)} colours on {len(made.pages)} page{'s' if len(made.pages) > 1 else ''}"
    )
    click.echo(
        f"  print the pages as {stock}'s finals, colour handling off; wait {_hours(file)}, measure,\n"
        f"  then: drydown profile verify {stock} MEASURED.txt --chart {folder / 'reference.txt'}"
    )
    if icc is None:
        click.echo("  the stock has no profile yet: the points are spread evenly")
    return Exit.OK


def _stock(root: Path, name: str, sheet: str | None) -> tuple[StockFile, Sheet, bytes | None]:
    """The stock, the sheet, and its profile's bytes; None where there is none yet."""
    from drydown.imaging.icc import check_output
    from drydown.service.house import open_house
    from drydown.studio.sheets import UnknownSheet

    studio = open_house(root, strict=False).studio
    if name not in studio.stocks:
        raise NotFound(f"no stock is called {name}; there are {', '.join(studio.stocks)}")
    file = studio.stocks[name]
    try:
        kept = file.kept()
        paper = file.sheet(sheet) if sheet else min(kept, key=lambda one: one.size.width * one.size.height)
    except UnknownSheet as error:
        raise NotFound(str(error)) from None
    profile = studio.profile(name)
    if not profile.is_file():
        return file, paper, None
    icc = profile.read_bytes()
    try:
        check_output(icc)
    except Refusal as error:
        raise StudioError([Fault(f"stocks/{name}.toml", "profile", str(error).rstrip("."))]) from None
    return file, paper, icc


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder to fill that gets its name only when it is whole. Raises Conflict where the name is taken."""
    if folder.exists():
        raise Conflict(f"{folder} is there already; give another --out or --seed, or move it away")
    filling = folder.with_name(f"{folder.name}.part")
    shutil.rmtree(filling, ignore_errors=True)
    filling.mkdir(parents=True)
    try:
        yield filling
        filling.rename(folder)
    except BaseException:
        shutil.rmtree(filling, ignore_errors=True)
        raise


def _write(folder: Path, made: Chart, file: StockFile, root: Path) -> None:
    from drydown.imaging.write import write_sheet
    from drydown.jobs.chart_ticket import ChartPrint, chart_ticket
    from drydown.jobs.spec import SheetSpec, StockSpec

    now = time.strftime("%Y-%m-%dT%H:%M:%S%z")
    pages = [made.page(number) for number in range(len(made.pages))]
    for number, page in enumerate(pages, 1):
        write_sheet(page, folder / f"{made.name}-page-{number}.tif", ppi=file.ppi, icc=None)
    (folder / "reference.txt").write_text(made.reference(made=now), encoding="utf-8")
    paper = made.layout.sheet
    printed = ChartPrint(
        name=made.name,
        pages=len(pages),
        stock=StockSpec(
            name=made.stock,
            profile=root / file.profile,
            profile_blake3="",  # a ticket tells nothing of it
            ppi=file.ppi,
            intent=file.intent,
            black_point_compensation=file.black_point_compensation,
            unprintable_mm=file.unprintable(),
            ticket=file.ticket.stated(),
            dry_minutes=file.dry_minutes,
            cure_hours=file.cure_hours,
            lot=file.lot,
        ),
        sheet=SheetSpec(name=paper.name, size=paper.size, pwg=paper.pwg),
        measurement=file.measurement or "",
        backing=file.backing or "",
    )
    (folder / "ticket.txt").write_text(chart_ticket(printed, pages[0], made=now), encoding="utf-8")


def _hours(file: StockFile) -> str:
    return "until the ink has cured" if file.cure_hours is None else f"{file.cure_hours:g} hours"
