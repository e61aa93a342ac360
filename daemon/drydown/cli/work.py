"""`drydown watch` and `drydown run`."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drydown.cli import completing, find_studio
from drydown.cli.asking import followed, said
from drydown.cli.show import below, listener, print_json
from drydown.errors import Busy, Exit, NotFound
from drydown.jobs import requests
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from drydown.service.reception import Order

if TYPE_CHECKING:
    from drydown.service.house import House
    from drydown.service.portfolio import Line, Planned


@click.command(short_help="Watch the hot folders (the daemon).")
@click.pass_obj
def watch(studio_dir: Path | None) -> None:
    """Watch the hot folders and make a sheet of every picture dropped.

    Ends cleanly on an interrupt: what is at work may finish; a second interrupt ends it at once, and the next start goes on from there.
    """
    from drydown.service.daemon import Daemon

    root = find_studio(studio_dir)
    with listener() as shown:
        daemon = Daemon(root, shown)
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: daemon.stop())
        daemon.run()


@click.command(short_help="Run a recipe over files or folders.")
@click.argument("recipe", shell_complete=completing.recipes)
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--maker", "sheet_maker", default="final", show_default=True, help="The sheet maker that ends the chain."
)
@click.option("--sheet", help="Another sheet of the recipe's stock.")
@click.option("--anyway", is_flag=True, help="Pass over what a step would hold a picture for.")
@click.option(
    "--contact-sheet/--no-contact-sheet",
    default=None,
    help="All pictures small on sheets of the stock, beside the prints (default: where there are several).",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a job on standard output.")
@click.pass_obj
def run(
    studio_dir: Path | None,
    recipe: str,
    paths: tuple[Path, ...],
    sheet_maker: str,
    sheet: str | None,
    anyway: bool,
    contact_sheet: bool | None,
    as_json: bool,
) -> int:
    """Run RECIPE over files, or over every picture of a folder. The files stay where they are; sheets go to prints/run/.

    Several pictures are a portfolio: their sheets are numbered in the order of printing, paper by paper, and a table and a contact sheet show them all.
    Needs no daemon; where one runs, it does the work and this command follows it. Exits with 0 only when every job completed.
    """
    from drydown.service.house import open_house
    from drydown.service.portfolio import in_order, lines
    from drydown.service.run import folders_in, pictures_in, run_files
    from drydown.studio.guess import listed

    root = find_studio(studio_dir)
    files = pictures_in(path.absolute() for path in paths)
    passed_over = folders_in(paths)
    if not files:
        inside = f"; folders in folders are not looked into: {listed(passed_over)}" if passed_over else ""
        raise NotFound(f"no picture there; name files, or a folder that holds some{inside}")
    if passed_over:
        click.echo(
            f"Passed over, because folders in folders are not looked into: {listed(passed_over)}", err=True
        )
    order = Order(recipe, sheet_maker, sheet, anyway)
    house = open_house(root)
    planned = in_order(house.studio, order, files)
    with listener() as shown:
        shown.total(len(planned))
        try:
            rows = run_files(root, order, [one.file for one in planned], shown, [one.stem for one in planned])
        except Busy:
            rows = _ask_the_daemon(root, order, planned, shown.job)
    made = lines(planned, rows)
    _tell(house, made, as_json=as_json)
    if contact_sheet if contact_sheet is not None else len(made) > 1:
        _contact_sheet(house, recipe, made, as_json=as_json)
    if len(made) > 1 and house.studio.settings.pages.make:
        _run_page(house, recipe, made, as_json=as_json)
    return Exit.OK if all(line.out for line in made) else Exit.SOME_NOT_COMPLETED


def _tell(house: House, made: list[Line], *, as_json: bool) -> None:
    """The result on standard output: JSON, or a line for one picture, or the table for several."""
    from drydown.cli.portfolio import table
    from drydown.service.portfolio import paper_used

    if as_json:
        print_json([line.row.public() for line in made])
    elif len(made) > 1:
        for text in table(made, paper_used(made, house.studio.stocks), house.places.root):
            click.echo(text)
    elif (row := made[0].row).state == "completed" and row.sheet is not None:
        click.echo(f"{row.source_name}: {row.sheet}")
    else:
        click.echo(f"{row.source_name}: {row.state}: {row.reason}")


def _contact_sheet(house: House, recipe: str, made: list[Line], *, as_json: bool) -> None:
    """Make it, and say where it is; on standard error where standard output is JSON."""
    from drydown.cli.contact_sheet import make_contact_sheet
    from drydown.service.portfolio import paper_used

    papers = paper_used(made, house.studio.stocks)
    for page in make_contact_sheet(house, recipe, made, papers, now_s=time.time()):
        click.echo(f"contact sheet: {below(house.places.root, page)} (and .jpg)", err=as_json)


def _run_page(house: House, recipe: str, made: list[Line], *, as_json: bool) -> None:
    """Make the page of the run, and say where it is; on standard error where standard output is JSON."""
    from drydown.cli.run_page import make_run_page
    from drydown.service.portfolio import paper_used

    papers = paper_used(made, house.studio.stocks)
    page = make_run_page(house.places, recipe, made, papers, now_s=time.time())
    click.echo(f"page: {below(house.places.root, page)}", err=as_json)


def _ask_the_daemon(
    root: Path, order: Order, planned: list[Planned], show: Callable[[JobRow], None]
) -> list[JobRow]:
    """Leave the work to the running daemon, and watch its ledger until every job is at rest."""
    places = Places(root)
    jobs: list[str] = []
    for one in planned:
        args = {
            "recipe": order.recipe,
            "files": [str(one.file)],
            "stem": one.stem,
            "sheet_maker": order.sheet_maker,
            "sheet": order.sheet,
            "anyway": order.anyway,
        }
        name = requests.ask(places.requests, "run", args, now=time.time())
        answer = requests.follow(places.requests, name, clock=time.monotonic, sleep=time.sleep)
        jobs += list(said(answer)["jobs"])
    return followed(root, jobs, show)
