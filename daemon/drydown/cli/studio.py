"""`drydown init`, `check`, `steps`."""

from __future__ import annotations

import json
import secrets
import types
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

import click
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from drydown.api import Offer, SheetOffer
from drydown.cli import find_studio
from drydown.discovery import Discovery, discover
from drydown.errors import Exit, NotFound, StudioError
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
@click.pass_obj
def check(studio_dir: Path | None, sheet: str | None, stocks: tuple[str, ...]) -> int:
    """Explain in words what each hot folder will do, open every profile, and find every fault before the first sheet.

    Exits with 0 when all is well, 3 when something must be mended; advice alone is no fault.
    """
    from drydown.geometry import placement_faults
    from drydown.studio.explain import explain

    root = find_studio(studio_dir)
    house = open_house(root, strict=False)
    words, faults = open_profiles(root, house.studio.stocks, _words)
    if sheet is not None and not faults:
        return _placement_sheets(house, sheet, stocks)
    told = explain(house.studio, profiles=words, placement_faults=placement_faults)
    click.echo(told.text())
    for problem in house.discovery.problems:
        click.echo(f"\nA plugin is off: {problem}")
    if faults:
        click.echo("\nProfiles")
        for fault in faults:
            click.echo(f"  {fault}")
    count = len(faults) + len(told.faults)
    off = bool(house.studio.off or house.studio.off_folders)
    if count or off:
        click.echo(f"\n{count} fault{'s' if count != 1 else ''}" + ("; a recipe is off" if off else "") + ".")
        return Exit.STUDIO_FAULTY
    click.echo("\nNo faults.")
    return Exit.OK


def _words(icc: bytes) -> ProfileWords:
    from drydown.imaging.icc import check_output

    info = check_output(icc)
    return ProfileWords(info.description, int(float(info.version)))


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


@click.command(short_help="List installed steps, or explain one.")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a step, with its settings' schema.")
@click.pass_obj
def steps(studio_dir: Path | None, name: str | None, as_json: bool) -> None:
    """List the steps and sheet makers that are installed and who offers them, or explain the settings of one."""
    found = _found(studio_dir)
    if name is not None and name not in found.offers:
        from difflib import get_close_matches

        near = get_close_matches(name, found.offers, 1)
        guess = f"did you mean {near[0]}?" if near else f"there are {', '.join(found.offers)}"
        raise NotFound(f"no step or sheet maker is called '{name}'; {guess}")
    chosen = {name: found.offers[name]} if name else dict(found.offers)
    for key, offer in chosen.items():
        who = found.origins[key].offered_by
        if as_json:
            click.echo(json.dumps(_as_data(offer, who), ensure_ascii=False))
        elif name:
            click.echo("\n".join(_explained(offer, who)))
        else:
            click.echo(f"{key:12} {_kind(offer):12} {offer.about}  -- {who}")
    for problem in found.problems:
        click.echo(f"A plugin is off: {problem}", err=True)


def _found(studio_dir: Path | None) -> Discovery:
    """Plugins of the studio where there is one, else the installed ones; a faulty studio does not hide its steps."""
    try:
        root = find_studio(studio_dir)
    except NotFound:
        if studio_dir is not None:
            raise
        return discover()
    try:
        return open_house(root, strict=False).discovery
    except StudioError:
        return discover(root / "plugins")


def _kind(offer: Offer) -> str:
    return "sheet maker" if isinstance(offer, SheetOffer) else "step"


def _as_data(offer: Offer, who: str) -> dict[str, Any]:
    schema = offer.settings.model_json_schema()
    return {
        "name": offer.name,
        "kind": _kind(offer),
        "about": offer.about,
        "offered_by": who,
        "settings": schema,
    }


def _explained(offer: Offer, who: str) -> Iterator[str]:
    yield f"{offer.name} ({_kind(offer)}, offered by {who})"
    yield f"  {offer.about}"
    if not offer.settings.model_fields:
        yield "  It has no settings."
    for key, field in offer.settings.model_fields.items():
        yield f"\n  {key} = {_default(field)}"
        yield f"      {_type(field.annotation)}{_limits(field)}"
        if field.description:
            yield f"      {field.description}"
    heading = f"[{offer.name}]" if isinstance(offer, SheetOffer) else "[[step]]"
    yield f"\n  In a recipe:\n\n    {heading}"
    if not isinstance(offer, SheetOffer):
        yield f'    use = "{offer.name}"'
    for key, field in offer.settings.model_fields.items():
        if field.default not in (None, PydanticUndefined, ()):
            yield f"    {key} = {_toml(field.default)}"


def _default(field: FieldInfo) -> str:
    if field.default is PydanticUndefined:
        return "(must be given)"
    return "(not set)" if field.default is None else _toml(field.default)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return json.dumps(value, ensure_ascii=False, default=str)


_TYPES: Mapping[object, str] = {
    float: "number",
    int: "whole number",
    str: "text",
    bool: "true or false",
    Path: "path, below the studio or absolute",
}


def _type(annotation: Any) -> str:
    if get_origin(annotation) in (Union, types.UnionType):
        return " or ".join(_type(part) for part in get_args(annotation) if part is not type(None))
    if get_origin(annotation) is Literal:
        return "one of " + ", ".join(json.dumps(choice) for choice in get_args(annotation))
    if get_origin(annotation) is tuple:
        return f"list of {_type(get_args(annotation)[0])}"
    if get_origin(annotation) is dict:
        return "table of STEP.setting = number"
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return "tables of " + ", ".join(annotation.model_fields)
    return _TYPES.get(annotation, getattr(annotation, "__name__", str(annotation)))


def _limits(field: FieldInfo) -> str:
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    said = [
        f"{words[kind]} {getattr(rule, kind):g}"
        for rule in field.metadata
        for kind in words
        if getattr(rule, kind, None) is not None
    ]
    return f", {' and '.join(said)}" if said else ""
