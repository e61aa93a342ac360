"""`drydown demo`: the main job, on computed pictures and a computed paper, by the real daemon."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from pathlib import Path

import click

from drydown.cli.show import below, listener
from drydown.errors import Exit
from drydown.jobs.ledger_rows import JobRow

DEADLINE_S = 900.0


@click.command(short_help="Lay out a demonstration studio and run it.")
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    default=Path("demo-studio"),
    show_default=True,
    help="Where the studio is laid out; a number is added where it holds something already.",
)
@click.option(
    "--pull-the-plug",
    "unplug",
    is_flag=True,
    help="Kill the daemon in the middle of the work, start it again, and see that every picture comes out once.",
)
def demo(into: Path, unplug: bool) -> int:
    """Lay out the studio of an invented photographer, compute its pictures and its paper, and let the daemon make their sheets."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "2")
    from drydown.demo import drive, scenario
    from drydown.demo.hands import Hands
    from drydown.demo.loop import PICTURE, Loop
    from drydown.demo.paper import pearl_profile
    from drydown.demo.pictures import PICTURES, make_pictures
    from drydown.demo.truth import GAMUT, Truth

    start = time.monotonic()
    root = scenario.free_folder(into.absolute())
    click.echo(f"Laying out a studio in {root}")
    click.echo(
        "  computing the paper: an ink set on pearl stock, measured, inverted, written as an ICC profile"
    )
    scenario.lay_out(root, pearl_profile())
    on_their_way = root / "state" / "on-their-way"
    on_their_way.mkdir()
    made = make_pictures(on_their_way, progress=lambda name: click.echo(f"  computing {name}"))
    folders = {picture.name: root / "hot" / picture.hot_folder for picture in PICTURES}
    click.echo(f"Starting the daemon, dropping {len(made)} pictures")
    dropped = [(path, folders[path.name]) for path in made]
    with listener() as shown:
        shown.total(len(made))
        if unplug:
            with drive.daemon(root) as process:
                drive.drop(dropped)
                done, at_work = drive.kill_at_work(root, process, deadline_s=DEADLINE_S)
            shown.say(
                f"\nThe plug was pulled: {done} done, {at_work} at work, the others waiting. Starting again"
            )
            dropped = []
        with drive.daemon(root):
            drive.drop(dropped)
            rows = drive.follow(root, len(made), deadline_s=DEADLINE_S, show=shown.job)
            if unplug:
                shown.say(f"Every picture once: {drive.once_each(root, rows)}")
            shown.say("\nThe proofing loop, on one picture; the choices are scripted")
            hands = Hands(root, len(rows), DEADLINE_S, shown.say, shown.job)
            loop = Loop(hands).run()
            shown.say(
                "\nIs the profile still true? A chart, its readings, a verdict, a profile made from them"
            )
            first = next(row for row in rows if row.source_name.startswith(PICTURE))
            loop.append(Truth(hands).run(first))
    on_their_way.rmdir()
    expected = {picture.name: picture.expect for picture in PICTURES}
    _table([*rows, *loop], root)
    click.echo(f"\n{time.monotonic() - start:.0f} s in all. Where to look in {root}:")
    _where_to_look(root, loop[-1], GAMUT)
    wrong = [row for row in rows if not _as_expected(row, expected.get(row.source_name, "completed"))]
    for row in wrong:
        click.echo(f"NOT AS EXPECTED: {row.source_name} is {row.state}: {row.reason}", err=True)
    return Exit.SOME_NOT_COMPLETED if wrong or len(rows) != len(made) else Exit.OK


def _as_expected(row: JobRow, expected: str) -> bool:
    return row.state == "completed" if expected == "completed" else row.state in ("aborted", "pending-held")


def _where_to_look(root: Path, final: JobRow, gamut: str) -> None:
    page = f"{below(root, final.prints)}/{final.prefix}.page.html" if final.prints else ""
    for what, place in (
        ("sheets, pages, tickets, records", "prints"),
        ("the last final's page", page),
        ("what the strips have taught", "recipes/shoreline.settled.toml"),
        ("the chart, and its readings", "charts"),
        ("the built profile's gamut", gamut),
        ("it, and the one it replaced", "profiles"),
        ("pictures as dropped, refusals", "originals"),
    ):
        click.echo(f"  {what:32}  {place}")
    click.echo(f"  drydown --studio {root} jobs, show, check, profile history pearl")


def _table(rows: Sequence[JobRow], root: Path) -> None:
    width = max((len(row.source_name) for row in rows), default=0)
    click.echo(f"\n{'picture':{width}}  {'outcome':12}  {'seconds':>7}  {'MB':>4}  sheet, or why not")
    for row in sorted(rows, key=lambda row: (row.state != "completed", row.source_name)):
        result = row.result
        seconds = f"{sum(result.seconds.values()):7.1f}" if result else f"{'':7}"
        peak = f"{result.peak_mb:4.0f}" if result else "    "
        what = below(root, row.sheet) if row.state == "completed" and row.sheet else row.reason
        click.echo(f"{row.source_name:{width}}  {row.state:12}  {seconds}  {peak}  {what}")
