"""`drydown steps`: what is installed, who offers it, and what it takes: in words, as data, as a schema for editors."""

from __future__ import annotations

import json
import types
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

import click
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from drydown.api import Offer, SheetOffer
from drydown.cli import completing, find_studio
from drydown.discovery import Discovery, discover
from drydown.errors import NotFound, StudioError
from drydown.service.house import open_house
from drydown.studio.guess import did_you_mean, listed


@click.command(short_help="List installed steps, or explain one.")
@click.argument("name", required=False, shell_complete=completing.steps)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a step, with its settings' schema.")
@click.option(
    "--schema", is_flag=True, help="A JSON Schema of recipes with every installed step, for editors."
)
@click.option("--reference", is_flag=True, help="Every setting of every step as a page in Markdown.")
@click.pass_obj
def steps(studio_dir: Path | None, name: str | None, as_json: bool, schema: bool, reference: bool) -> None:
    """List the steps and sheet makers that are installed and who offers them, or explain the settings of one.

    With --schema: write the output to recipes/recipe.schema.json and put "#:schema recipe.schema.json" on a recipe's first line; editors that know
    that line then complete and check settings while you type.
    """
    found = found_plugins(studio_dir)
    if schema:
        from drydown.studio.schema import recipe_schema

        click.echo(json.dumps(recipe_schema(found.offers), ensure_ascii=False, indent=2))
        return
    if reference:
        from drydown.cli import steps_reference

        click.echo("\n\n".join(steps_reference.reference(found)))
        return
    if name is not None:
        named(found, name)
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


def found_plugins(studio_dir: Path | None) -> Discovery:
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


def named(found: Discovery, name: str) -> Offer:
    """The step or sheet maker of that name. Raises NotFound with a guess."""
    if name not in found.offers:
        have = list(found.offers)
        raise NotFound(
            f"no step or sheet maker is called '{name}'; {did_you_mean(name, have, f'there are {listed(have)}')}"
        )
    return found.offers[name]


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
        yield f"\n  {key} = {default_of(field)}"
        yield f"      {type_of(field.annotation)}{limits_of(field)}"
        if field.description:
            yield f"      {field.description}"
    heading = f"[{offer.name}]" if isinstance(offer, SheetOffer) else "[[step]]"
    yield f"\n  In a recipe:\n\n    {heading}"
    if not isinstance(offer, SheetOffer):
        yield f'    use = "{offer.name}"'
    for key, field in offer.settings.model_fields.items():
        if field.default not in (None, PydanticUndefined, ()):
            yield f"    {key} = {_toml(field.default)}"


def default_of(field: FieldInfo) -> str:
    """A setting's default as a recipe would write it."""
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


def type_of(annotation: Any) -> str:
    """What a setting takes, in words."""
    if get_origin(annotation) in (Union, types.UnionType):
        return " or ".join(type_of(part) for part in get_args(annotation) if part is not type(None))
    if get_origin(annotation) is Literal:
        return "one of " + ", ".join(json.dumps(choice) for choice in get_args(annotation))
    if get_origin(annotation) is tuple:
        return f"list of {type_of(get_args(annotation)[0])}"
    if get_origin(annotation) is dict:
        return "table of STEP.setting = number"
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return "tables of " + ", ".join(annotation.model_fields)
    return _TYPES.get(annotation, getattr(annotation, "__name__", str(annotation)))


def limits_of(field: FieldInfo) -> str:
    """The limits of a number in words, after a comma; empty where it has none."""
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    said = [
        f"{words[kind]} {getattr(rule, kind):g}"
        for rule in field.metadata
        for kind in words
        if getattr(rule, kind, None) is not None
    ]
    return f", {' and '.join(said)}" if said else ""
