"""`drydown profile compare`: two profiles side by side."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drydown.cli.profile_files import bad_profile, read_profile
from drydown.cli.profile_show import lab
from drydown.showing import shown

if TYPE_CHECKING:
    from drydown.imaging.profile_facts import Comparison, ProfileFacts


@click.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="The figures as one JSON object.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a picture of both gamuts (.png or .svg).",
)
def compare(first: Path, second: Path, as_json: bool, picture: Path | None) -> None:
    """Show how the profiles FIRST and SECOND differ: white, black, gamut, greys, and what they predict for the same device values."""
    from drydown.imaging import profile_facts
    from drydown.imaging.icc import BadProfile

    bytes_of, facts = [], []
    for path in (first, second):
        bytes_of.append(read_profile(path))
        try:
            facts.append(profile_facts.facts_of(bytes_of[-1]))
        except BadProfile as reason:
            raise bad_profile(path, reason) from None
    try:
        found = profile_facts.compare(*bytes_of)
    except ValueError as reason:
        raise click.UsageError(
            f"{shown(str(first))} and {shown(str(second))} cannot be compared: {reason}"
        ) from None
    if as_json:
        whole = {"first": asdict(facts[0]), "second": asdict(facts[1]), **asdict(found)}
        click.echo(json.dumps(whole, ensure_ascii=False))
    else:
        for line in _words(facts, found):
            click.echo(line)
    if picture is not None:
        _draw(bytes_of, facts, picture)
        click.echo(f"gamuts: {shown(str(picture))}", err=as_json)


def _words(facts: list[ProfileFacts], found: Comparison) -> Iterator[str]:
    one, two = facts
    yield f"1  {one.info.description}"
    yield f"2  {two.info.description}"
    yield f"  white         1  {lab(one.white)}, density {one.white_density:z.2f}"
    yield f"                2  {lab(two.white)}, density {two.white_density:z.2f}   apart ΔE00 {found.white_dE00:.2f}"
    yield f"  black         1  {lab(one.black)}, density {one.black_density:z.2f}"
    yield f"                2  {lab(two.black)}, density {two.black_density:z.2f}   apart ΔE00 {found.black_dE00:.2f}"
    if found.shared is not None and one.volume and two.volume:
        yield f"  gamut volume  1  {one.volume:,.0f}, of which the other holds {found.shared / one.volume:.0%}"
        yield f"                2  {two.volume:,.0f}, of which the other holds {found.shared / two.volume:.0%}"
        yield f"                shared {found.shared:,.0f} cubic units of CIELAB, media-relative"
    if found.greys_ab is not None:
        yield f"  greys         asked for, up to {found.greys_ab:.2f} apart in a*b*"
    yield f"  predictions   for {found.points:,} device values, ΔE00 mean, 95th percentile, greatest:"
    yield "                media-relative {:.2f}  {:.2f}  {:.2f}".format(*found.relative)
    yield "                ICC-absolute   {:.2f}  {:.2f}  {:.2f}".format(*found.absolute)


def _draw(bytes_of: list[bytes], facts: list[ProfileFacts], to: Path) -> None:
    from drydown.imaging.gamut_body import body_of
    from drydown.imaging.gamut_picture import Drawn, gamut_svg, write_picture

    try:
        drawn = [Drawn(one.info.description, body_of(icc)) for icc, one in zip(bytes_of, facts, strict=True)]
        write_picture(gamut_svg("Two gamuts", drawn), to)
    except ValueError as reason:
        raise click.UsageError(str(reason)) from None
