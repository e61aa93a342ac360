"""`drydown choose`, `strip`, `reprint`."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path

import click

from drydown.cli import completing, find_studio
from drydown.cli.asking import ask_for_jobs, view
from drydown.cli.show import below
from drydown.errors import Exit
from drydown.intake.names import typed_job_id
from drydown.jobs.ledger_rows import JobRow

_DAY_S = 86_400.0
RANKED = (3, 4, 5)  #: so many patches, named in order, are a ranking


@click.command(short_help="Take a patch, or a point between two, into the recipe.")
@click.argument("job", shell_complete=completing.jobs)
@click.argument("patches", metavar="[PATCH...]", nargs=-1)
@click.option("--between", nargs=2, metavar="B2 B3", help="A point between two patches; --at says where.")
@click.option(
    "--at",
    type=click.FloatRange(0, 1),
    help="With --between: 0 is the first patch, 1 the second, 0.4 nearer to the first. Default: 0.5.",
)
@click.option(
    "--set", "sets", multiple=True, metavar="STEP.SETTING=VALUE", help="A value typed in; may be repeated."
)
@click.option("--picture", is_flag=True, help="For this picture alone: written to its own NAME.toml.")
@click.option("--undo", is_flag=True, help="Go back one choice.")
@click.option("--printed", metavar="HH:MM", help="When the strip was printed, for the drying time.")
@click.option("--light", help='The light it was judged under, such as "D50 500 lx". Default: the recipe\'s.')
@click.option("--anyway", is_flag=True, help="Also colour settings from a strip of another quality.")
@click.option(
    "--still-off", is_flag=True, help="With a ranking: the best of them does not look right either."
)
@click.option("--yes", is_flag=True, help="With a ranking: settle what it proposes.")
@click.pass_obj
def choose(
    studio_dir: Path | None,
    job: str,
    patches: tuple[str, ...],
    between: tuple[str, str] | None,
    at: float | None,
    sets: tuple[str, ...],
    picture: bool,
    undo: bool,
    printed: str | None,
    light: str | None,
    anyway: bool,
    still_off: bool,
    yes: bool,
) -> int:
    """Take PATCH of the strip that JOB made into its recipe's settled values; the recipe that you wrote stays as it is.

    One patch is taken as it is. The best three to five, in order (C2 B4 D1), are a ranking and read together: what they say of the printer is proposed, and
    settled with --yes. Five tell more than three.
    """
    from drydown.cli import choice

    root = find_studio(studio_dir)
    if undo:
        if patches or between or sets or picture:
            raise click.UsageError("--undo goes back one choice; it takes no patch and no value")
        return choice.undo(root, typed_job_id(job))
    with view(root) as ledger:
        wish = choice.Asked(
            root,
            ledger,
            ledger.job(typed_job_id(job)),
            common={
                "light": light,
                "printed": _printed(printed, time.time()),
                "anyway": anyway,
                "picture": picture,
            },
        )
        if at is not None and between is None:
            raise click.UsageError("--at goes with --between B2 B3")
        if between is not None and patches:
            raise click.UsageError("name a patch, or a point --between two, not both")
        if len(patches) in RANKED:
            if sets:
                raise click.UsageError(
                    "a ranking proposes its own values; --set goes with one patch, or alone"
                )
            return choice.ranked(wish, patches, still_off=still_off, yes=yes)
        if len(patches) > 1:
            raise click.UsageError(
                "name one patch, the best three to five in order, or a point --between two of them"
            )
        if not (patches or between or sets):
            raise click.UsageError(f"which patch? This strip has {wish.patch_names}")
        return choice.picked(wish, patches or (between or ()), 0.5 if at is None else at, sets)


@click.command(short_help="Lay the next strip of a picture, or one of several pictures.")
@click.argument("job_names", metavar="JOB...", nargs=-1, required=True, shell_complete=completing.jobs)
@click.option(
    "--next", "following", is_flag=True, help="The strip that splits what is still open after JOB's."
)
@click.option("--sheet", help="Another sheet of the stock. Default: the proof folder's, else the smallest.")
@click.option("--anyway", is_flag=True, help="Also where everything is settled already.")
@click.pass_obj
def strip(
    studio_dir: Path | None, job_names: tuple[str, ...], following: bool, sheet: str | None, anyway: bool
) -> int:
    """Make a test strip of pictures that were printed before: the next one (--next), or one of up to six jobs, a region of each.

    Exits with 0 when the strip was made, or when nothing is open any more.
    """
    root = find_studio(studio_dir)
    names = [typed_job_id(name) for name in job_names]
    if not following:
        return _show_made(root, ask_for_jobs(root, "strip", {"jobs": names, "sheet": sheet}))
    if len(names) > 1 or sheet:
        raise click.UsageError("--next is the next strip of one job, on the same sheet")
    from drydown.cli.choice import next_points

    points = next_points(root, names[0], anyway=anyway)
    if points is None:
        return Exit.OK
    return _show_made(root, ask_for_jobs(root, "strip", {"jobs": names, "next": True, "points": points}))


@click.command(short_help="Make the sheet of an old job again from its record.")
@click.argument("job", shell_complete=completing.jobs)
@click.option(
    "--anyway", is_flag=True, help="Also where it will differ: with the profile, plugins and versions of now."
)
@click.pass_obj
def reprint(studio_dir: Path | None, job: str, anyway: bool) -> int:
    """Make the sheet of a completed JOB again, from its record and not by the studio as it is now.

    It is the same bit for bit where profile, plugins and versions are the same; what differs is said before anything is made.
    """
    from drydown.service.reprint import same_sheet

    root = find_studio(studio_dir)
    rows = ask_for_jobs(root, "reprint", {"job": typed_job_id(job), "anyway": anyway})
    code = _show_made(root, rows)
    if code != Exit.OK:
        return code
    with view(root) as ledger:
        old, new = ledger.job(rows[0].again_of), ledger.job(rows[0].id)
    if same_sheet(old, new):
        click.echo(f"It is the sheet of job {old.id}, the same bit for bit.")
        return Exit.OK
    click.echo(
        f"It is not the sheet of job {old.id}: the bytes differ"
        + ("." if anyway else ", though nothing on record does.")
    )
    return Exit.OK if anyway else Exit.SOME_NOT_COMPLETED


def _show_made(root: Path, rows: list[JobRow]) -> int:
    for row in rows:
        if row.state == "completed" and row.sheet is not None:
            click.echo(f"{row.source_name}: {below(root, row.sheet)}  (job {row.id})")
        else:
            click.echo(f"{row.source_name}: {row.state}: {row.reason}  (job {row.id})")
    return Exit.OK if all(row.state == "completed" for row in rows) else Exit.SOME_NOT_COMPLETED


def _printed(text: str | None, now_s: float) -> str | None:
    """The last time at which a clock showed `HH:MM`, or a date with time, as ISO 8601 with offset."""
    if text is None:
        return None
    now = datetime.fromtimestamp(now_s).astimezone()
    try:
        clock = datetime.strptime(text, "%H:%M")
        then = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
        then -= timedelta(days=1) if then > now else timedelta(0)
    except ValueError:
        try:
            then = datetime.fromisoformat(text).astimezone()
        except ValueError:
            raise click.UsageError(
                f"--printed is a time such as 14:05, or 2026-03-01T14:05; found '{text}'"
            ) from None
        if then > now:
            raise click.UsageError(f"--printed {text} is still to come") from None
    return then.isoformat(timespec="seconds")
