"""`drydown try`: the loop of somebody who writes a step."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drydown.api import Frame, Job, StepOffer
from drydown.cli import completing, find_studio
from drydown.cli.settings_typed import typed_setting
from drydown.errors import Exit, NotFound
from drydown.showing import shown

if TYPE_CHECKING:
    from drydown.discovery import Discovery
    from drydown.imaging.read import Picture
    from drydown.jobs.chain import Access, Link
    from drydown.service.house import House
    from drydown.testing.trial import Trial

_MAX_PIXELS = 400_000_000


@click.command("try", short_help="Run one step on one picture.")
@click.argument("step", shell_complete=completing.steps)
@click.argument("picture", type=click.Path(path_type=Path))
@click.option("--set", "sets", multiple=True, metavar="SETTING=VALUE", help="A setting; may be repeated.")
@click.option(
    "--recipe",
    shell_complete=completing.recipes,
    help="Run the recipe's steps before STEP first, on its stock. Default: the picture as it is read.",
)
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("tried"),
    help="Folder for the pictures. Default: tried/",
)
@click.pass_obj
def try_(
    studio_dir: Path | None, step: str, picture: Path, sets: tuple[str, ...], recipe: str | None, into: Path
) -> int:
    """Run STEP on PICTURE: writes before, after, difference and a detail at 100 %, and says what it took and how much it changed.

    Nothing else is touched: no job, no ledger, and the picture stays as it is.
    """
    if not picture.is_file():
        raise NotFound(f"there is no picture {picture}; name a file")
    settings = dict(typed_setting(text, "SETTING=VALUE, such as strength=0.4") for text in sets)
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(1) as pool:
        scratch = Path(name)
        read = None if recipe else _read(picture, scratch, pool)
        from drydown.cli.steps import named
        from drydown.discovery import discover
        from drydown.jobs.unpack import framed
        from drydown.testing.jobs import a_job
        from drydown.testing.trial import trial

        house = _house(studio_dir, recipe)
        found = house.discovery if house else discover()
        offer = named(found, step)
        if not isinstance(offer, StepOffer):
            raise NotFound(
                f"'{step}' is a sheet maker; what it makes is seen with: drydown run RECIPE {picture} --maker {step}"
            )
        link = _link(offer, settings, found)
        if house and (in_recipe := recipe or min(house.studio.recipes, default="")):
            job, before = _in_recipe(house, picture, in_recipe, step if recipe else None, scratch)
        else:
            job, before = a_job(scratch, source=picture, anyway=True), None
        if before is None:
            assert read is not None
            before = framed(read.result(), picture, job)
        into.mkdir(parents=True, exist_ok=True)
        made = trial(before, lambda frame: link.run(frame, job), into, f"{picture.stem}.{step}")
        for line in _words(made, step):
            click.echo(line)
    return Exit.OK


def _read(picture: Path, scratch: Path, pool: Executor) -> Future[Picture]:
    """The picture on its way into memory. Decoding keeps one core busy; meanwhile the studio is read on another."""
    from drydown.imaging.read import open_picture

    def opened(access: Access, *, proved: bool) -> Picture:
        return open_picture(
            picture,
            untagged="srgb",
            access=access,
            max_pixels=_MAX_PIXELS,
            scratch=scratch,
            proved=proved,
        )

    def held() -> Picture:
        read = opened("random", proved=True)
        if read.facts["format"] == "JPEG":
            # its decoder keeps the whole picture, in half of what we should take
            read.pixels.getpoint(0, 0)
            return read
        read = opened("sequential", proved=False)
        return replace(read, pixels=read.pixels.copy_memory())

    return pool.submit(held)


def _link(offer: StepOffer[Any], settings: dict[str, Any], found: Discovery) -> Link:
    """The step with its settings checked. Raises UsageError with every fault."""
    from drydown.jobs.chain import Link
    from drydown.studio.faults import validate

    made, faults = validate(offer.settings, settings, file="--set", place=offer.name)
    if made is None:
        raise click.UsageError("; ".join(str(fault) for fault in faults))
    return Link(offer.name, offer, made, found.origins[offer.name].offered_by)


def _house(studio_dir: Path | None, recipe: str | None) -> House | None:
    """The studio's, whose stock and recipes the step is then tried on; None where there is none and none is asked for."""
    from drydown.service.house import open_house

    try:
        root = find_studio(studio_dir)
    except NotFound:
        if studio_dir is not None or recipe is not None:
            raise
        return None
    return open_house(root, strict=False)  # what would spoil another recipe's sheets is no reason not to try


def _in_recipe(
    house: House, picture: Path, recipe: str, before: str | None, scratch: Path
) -> tuple[Job, Frame | None]:
    """A job on the recipe's stock; and the picture in memory after the steps that stand ahead of the first one called `before`, of all where it has none."""
    from drydown.jobs.chain import Chain
    from drydown.jobs.plan import Picture, plan
    from drydown.jobs.unpack import job_of, links_of, opener_of
    from drydown.studio.resolve import resolve
    from drydown.testing.trial import in_memory

    asked = Picture(
        job="try",
        hot_folder="",
        prints=scratch,
        source=picture.absolute(),
        source_name=shown(picture.name),
        stem="try",
        made="",
        anyway=True,
    )
    spec = plan(
        resolve(house.studio, recipe=recipe),
        asked,
        origins=house.discovery.origins,
        limits=house.studio.settings.daemon,
        root=house.places.root,
        profiles=scratch,
    )
    job = job_of(spec, scratch)
    if before is None:
        return job, None
    links, _, _ = links_of(spec)
    ahead = next((number for number, link in enumerate(links) if link.offer.name == before), len(links))
    chain = Chain(links, job, opener_of(spec, spec.source, job, scratch, {}), access="random")
    return job, in_memory(chain.upto(ahead))


def _words(made: Trial, step: str) -> Iterator[str]:
    before, after = made.before, made.after
    size = f"{before.width} x {before.height} pixels ({before.width * before.height / 1e6:.1f} megapixels)"
    yield f"{step} on {size}: {made.processor_s:.2f} s of processor in {made.seconds:.2f} s, {made.memory_mb:.0f} MB beyond the picture itself"
    if (before.width, before.height) != (after.width, after.height):
        yield f"size: now {after.width} x {after.height} pixels at {after.ppi:.0f} ppi"
    if made.mean_dE is not None:
        yield f"change: mean ΔE00 {made.mean_dE:.2f}, 99th percentile {made.worst_dE:.2f}"
    for note in made.notes:
        yield f"{note.level}: {note.text}"
    for file in made.files:
        yield str(file)
