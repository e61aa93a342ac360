"""`drydown profile show`: what a profile holds, in figures and as a picture of its gamut."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drydown.cli.profile_files import bad_profile, read_profile
from drydown.showing import shown

if TYPE_CHECKING:
    from drydown.imaging.profile_facts import Lab3, ProfileFacts

_CLASS = {"prtr": "output (printer)", "mntr": "display", "scnr": "input", "spac": "colour space"}


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="The figures as one JSON object.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a picture of the gamut against sRGB and opRGB (.png or .svg).",
)
def show(file: Path, as_json: bool, picture: Path | None) -> None:
    """Show what the profile FILE holds: white, black, gamut, greys, its own errors, its tags."""
    from drydown.imaging.icc import BadProfile
    from drydown.imaging.profile_facts import facts_of

    icc = read_profile(file)
    try:
        facts = facts_of(icc)
    except BadProfile as reason:
        raise bad_profile(file, reason) from None
    if as_json:
        click.echo(json.dumps(asdict(facts), ensure_ascii=False))
    else:
        for line in words(facts):
            click.echo(line)
    if picture is not None:
        _draw(icc, facts, picture)
        click.echo(f"gamut: {shown(str(picture))}", err=as_json)


def words(facts: ProfileFacts) -> Iterator[str]:
    """The figures as lines for a person."""
    info = facts.info
    yield f"{info.description}"
    yield f"  class               {_CLASS.get(info.device_class, info.device_class)}, ICC version {info.version}, {info.size:,} bytes"
    yield f"  spaces              {info.colour_space}, connection space {info.pcs}"
    yield f"  white               {lab(facts.white)}, density {facts.white_density:z.2f}   (absolute)"
    yield f"  darkest black       {lab(facts.black)}, density {facts.black_density:z.2f}   (absolute; L* {facts.black_relative_L:.1f} beside its own white)"
    if facts.reached_L is not None and facts.reached_density is not None:
        yield f"  black reached       L* {facts.reached_L:.1f} beside its own white, density {facts.reached_density:z.2f}   (by a conversion)"
    if facts.volume is not None:
        yield f"  gamut volume        {facts.volume:,.0f} cubic units of CIELAB, media-relative"
    if facts.equal_off is not None:
        yield f"  R = G = B           up to {facts.equal_off:.1f} in a*b* off neutral"
    if facts.greys:
        yield "  greys asked for     " + "".join(f"{f'L* {L:.0f}':>9}" for L, _ in facts.greys)
        for name, part in (("L*", 0), ("a*", 1), ("b*", 2)):
            yield f"            got {name}    " + "".join(f"{Lab[part]:>z9.2f}" for _, Lab in facts.greys)
    for intent, (mean, p95) in facts.round_trip.items():
        yield f"  round trip          ΔE00 {mean:.2f} in the mean, {p95:.2f} at the 95th percentile, {intent}"
    yield f"  tags                {' '.join(facts.tags)}"
    yield f"  missing             {' '.join(facts.missing) or 'none'}   (of those that ICC.1:2022 requires of its class)"


def lab(Lab: Lab3) -> str:
    """`L* 95.5  a* 0.9  b* -2.7`."""
    return "L* {:z.1f}  a* {:z.1f}  b* {:z.1f}".format(*Lab)


def _draw(icc: bytes, facts: ProfileFacts, to: Path) -> None:
    from drydown.imaging.gamut_body import body_of
    from drydown.imaging.gamut_picture import Drawn, gamut_svg, write_picture
    from drydown.imaging.working import oprgb, srgb

    if facts.volume is None:
        raise click.UsageError("a grey profile has no gamut to draw; leave out --picture")
    volume = f"{facts.volume:,.0f} cubic units of CIELAB"
    drawn = [
        Drawn(facts.info.description, body_of(icc)),
        Drawn("sRGB", body_of(srgb())),
        Drawn("opRGB (IEC 61966-2-5)", body_of(oprgb())),
    ]
    try:
        write_picture(gamut_svg(f"{facts.info.description}: {volume}", drawn), to)
    except ValueError as reason:
        raise click.UsageError(str(reason)) from None
