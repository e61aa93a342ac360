"""`drydown tidy` and `drydown backup`: what an operator does now and then."""

from __future__ import annotations

import json
import time
from datetime import datetime
from pathlib import Path

import click

from drydown.cli import find_studio
from drydown.cli.asking import said
from drydown.errors import Exit, NotFound
from drydown.jobs import requests
from drydown.jobs.lock import is_held
from drydown.jobs.places import Places


@click.command(short_help="Delete old originals of completed jobs.")
@click.option("--days", type=click.IntRange(1), help="Another age than originals_days in studio.toml.")
@click.option("--remove", is_flag=True, help="Do it. Without this, only say what would go.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object an original that may go.")
@click.pass_obj
def tidy(studio_dir: Path | None, days: int | None, remove: bool, as_json: bool) -> int:
    """Say which originals of completed jobs are older than the studio's rule, and with --remove delete them.

    Only pictures in originals/done that are, byte for byte, what was printed; never one that is held or was refused. Path, size and hash of each
    stand in the ledger before it goes. The daemon does the same once a day where studio.toml has originals_days in [retention].
    """
    from drydown.service.house import open_house
    from drydown.service.tidying import may_go

    root = find_studio(studio_dir)
    if days is None:
        days = open_house(root, strict=False).studio.settings.retention.originals_days
    if days is None:
        raise NotFound(
            "no rule says that originals may go: set originals_days in [retention] of studio.toml, or name --days"
        )
    places, old = Places(root), may_go(root, days, time.time())
    for one in old:
        when = datetime.fromtimestamp(one.since)
        path = places.shown(one.path)
        if as_json:
            fields = {"job": one.job, "path": path, "bytes": one.bytes, "blake3": one.printed}
            click.echo(json.dumps(fields, ensure_ascii=False))
        else:
            click.echo(f"{when:%Y-%m-%d}  {one.bytes / 1e6:8.1f} MB  {path}")
    whole = f"{len(old)} original{'s' if len(old) != 1 else ''}, {sum(one.bytes for one in old) / 1e6:.1f} MB"
    if not old or not remove:
        also = "; delete them with: drydown tidy --remove" if old else ""
        click.echo(f"{whole} older than {days} days{also}", err=True)
        return Exit.OK
    if is_held(places.lock):
        asked = requests.ask(places.requests, "tidy", {"days": days}, now=time.time())
        answer = requests.follow(places.requests, asked, clock=time.monotonic, sleep=time.sleep)
        said(answer)
        click.echo(f"{whole}: {answer.message}", err=True)
        return Exit.OK
    removed = _tidy_here(root, days)
    why = "" if removed == len(old) else f"; why others stay is said in {places.shown(places.log)}"
    click.echo(f"{removed} of {whole} removed{why}", err=True)
    return Exit.OK


def _tidy_here(root: Path, days: int) -> int:
    from drydown.intake.hints import Hints
    from drydown.service.workshop import Workshop

    def say(text: str) -> None:
        click.echo(text, err=True)

    with Workshop(root, what="drydown tidy", say=say, wake=Hints().wake) as workshop:
        workshop.tidying.begin(days)
        while workshop.tidying.is_busy:
            workshop.tidying.turn()
        return workshop.tidying.removed


@click.command(short_help="Copy the ledger and the studio's own files.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.pass_obj
def backup(studio_dir: Path | None, folder: Path) -> None:
    """Copy the ledger, whole while the daemon works, and everything that a person wrote into the new folder DIR.

    Pictures and sheets are not in it: copy originals/, prints/, hot/ and state/taken/ afterwards with your own tool. To restore, put all of it back in its
    place and start: where the ledger is older than the folders, recovery brings them together and asks about what it cannot know.
    """
    from drydown.service.backup import back_up

    places = Places(find_studio(studio_dir))
    held = back_up(places, folder.absolute())
    size = sum(path.stat().st_size for path in held)
    click.echo(f"{len(held)} files, {size / 1e6:.1f} MB in {folder}; next, copy the pictures:")
    big = [name for name in ("originals", "prints", "hot", "state/taken") if (places.root / name).is_dir()]
    click.echo(f"  rsync -a --relative {' '.join(f'{places.root}/./{name}' for name in big)} {folder}/")
