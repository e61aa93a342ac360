"""`drydown init`, `check`, `steps`."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from drydown.cli import find_studio
from drydown.errors import Exit, Fault, NotFound
from drydown.jobs.sandbox.found import Found, lacking
from drydown.service.house import House, open_house
from drydown.studio.profiles import ProfileWords, open_profiles


@click.command(short_help="Lay out a new studio in DIR.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def init(folder: Path) -> None:
    """Lay out a new, commented studio in DIR: hot folders, a stock and a recipe to change to your own."""
    from drydown.intake.folder import set_up
    from drydown.studio.init import init as lay_out

    written = lay_out(folder.absolute(), set_up=lambda hot: set_up(hot, secrets.token_hex(8)))
    for path in written:
        click.echo(f"wrote {path}")
    click.echo(
        f"\nNext: put your paper's ICC profile into {folder}/profiles, name it in {folder}/stocks, then: drydown --studio {folder} check"
    )


@click.command(short_help="Explain and check the studio.")
@click.option(
    "--sheet",
    help="Make a placement sheet of this size: exact marks that prove scale and placement, for each stock.",
)
@click.option("--stock", "stocks", multiple=True, help="With --sheet: only for these stocks.")
@click.option(
    "--live", is_flag=True, help="How the running daemon is: last looks, what waits and why, pauses."
)
@click.option(
    "--json", "as_json", is_flag=True, help="One JSON object: faults and sandbox, or with --live the daemon."
)
@click.pass_obj
def check(
    studio_dir: Path | None, sheet: str | None, stocks: tuple[str, ...], live: bool, as_json: bool
) -> int:
    """Explain in words what each hot folder will do, open every profile, and find every fault before the first sheet.

    Exits with 0 when all is well, 3 when something must be mended; advice alone is no fault. With --live it asks how the running daemon is
    instead: 0 when all is well, 74 when something stands in its way, 4 when none runs.
    """
    if live:
        from drydown.cli.live_words import show_live

        return show_live(find_studio(studio_dir), as_json=as_json)
    from drydown.geometry import placement_faults
    from drydown.service.foreign import foreign, open_to_others
    from drydown.studio.explain import explain

    root = find_studio(studio_dir)
    house = open_house(root, strict=False)
    words, faults = open_profiles(root, house.studio.stocks, _words)
    if sheet is not None and not faults:
        return _placement_sheets(house, sheet, stocks)
    told = explain(house.studio, profiles=words, placement_faults=placement_faults)
    told = replace(told, advice=(*told.advice, *open_to_others(house)))
    sandbox = _sandbox(house)
    faults = [*faults, *lacking(sandbox), *foreign(house)]
    if as_json:
        return _checked_as_json(house, [*told.faults, *faults], sandbox)
    click.echo(told.text())
    click.echo("\n".join(["", "Sandbox", *(f"  {line}" for line in sandbox.lines())]))
    for problem in house.discovery.problems:
        click.echo(f"\nA plugin is off: {problem}")
    if faults:
        click.echo("\nProfiles, folders and machine")
        for fault in faults:
            click.echo(f"  {fault}")
    count = len(faults) + len(told.faults)
    off = bool(house.studio.off or house.studio.off_folders)
    if count or off:
        click.echo(f"\n{count} fault{'s' if count != 1 else ''}" + ("; a recipe is off" if off else "") + ".")
        return Exit.STUDIO_FAULTY
    click.echo("\nNo faults.")
    return Exit.OK


def _sandbox(house: House) -> Found:
    """Tried here and now, in children like those of the daemon. Raises MachineFault where not even a trial picture can be read."""
    from drydown.jobs.forks import Starter

    starter = Starter((), cores=1, sandbox=house.studio.settings.daemon.sandbox)
    try:
        return starter.sandbox()
    finally:
        starter.close()


def _checked_as_json(house: House, faults: Sequence[Fault], sandbox: Found) -> int:
    """One object: faults, what is off, what the sandbox is worth."""
    off = {**house.studio.off, **house.studio.off_folders}
    said = {
        "faults": [str(fault) for fault in faults],
        "off": off,
        "plugins_off": [str(problem) for problem in house.discovery.problems],
        "sandbox": sandbox.as_data(),
    }
    click.echo(json.dumps(said, ensure_ascii=False))
    return Exit.STUDIO_FAULTY if faults or off else Exit.OK


def _words(icc: bytes) -> ProfileWords:
    from drydown.imaging.icc import check_output

    info = check_output(icc)
    return ProfileWords(info.description, int(float(info.version)), info.device_class == "prtr")


def _placement_sheets(house: House, sheet: str, only: tuple[str, ...]) -> int:
    from drydown.api import Stock
    from drydown.imaging.placement_sheet import make_placement_sheet
    from drydown.imaging.preview import write_preview
    from drydown.imaging.write import write_sheet
    from drydown.studio.sheets import UnknownSheet

    unknown = set(only) - set(house.studio.stocks)
    if unknown:
        raise NotFound(
            f"no stock is called {', '.join(sorted(unknown))}; there are {', '.join(house.studio.stocks)}"
        )
    for name in only or tuple(house.studio.stocks):
        file = house.studio.stocks[name]
        try:
            paper = file.sheet(sheet)
        except UnknownSheet as error:
            raise NotFound(str(error)) from None
        profile = house.studio.profile(name)
        stock = Stock(
            name=name,
            profile=profile,
            icc=profile.read_bytes(),
            ppi=file.ppi,
            unprintable_mm=file.unprintable(),
            ticket=file.ticket.stated(),
        )
        folder = house.places.root / "prints" / "placement"
        folder.mkdir(parents=True, exist_ok=True)
        to = _free(folder / f"placement__{name}__{paper.name}.tif")
        try:
            made = make_placement_sheet(stock, paper)
        except ValueError as error:
            raise NotFound(f"{error}; take letter, A4 or larger") from None
        write_sheet(made, to, ppi=stock.ppi, icc=stock.icc)
        write_preview(to, to.with_suffix(".preview.jpg"))
        click.echo(
            f"{to}\n  print it with {name}'s driver settings, scaling none, then measure: the rule is 100 mm"
        )
    return Exit.OK


def _free(path: Path) -> Path:
    """A name that nothing has yet: nothing is ever overwritten."""
    number, free = 2, path
    while free.exists():
        free = path.with_stem(f"{path.stem}-{number}")
        number += 1
    return free
