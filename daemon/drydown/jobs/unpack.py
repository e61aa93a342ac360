"""From the snapshot to live things, inside the child: the job as steps see it, the chain's links, the opened picture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from drydown.api import MM_PER_INCH, Frame, Job, Sheet, SheetOffer, StepOffer, Stock
from drydown.discovery import Origin, line_of, load_as_it_is, problem
from drydown.errors import Hold, MachineFault, StepCrashed, is_machines
from drydown.jobs.chain import Access, Link
from drydown.jobs.hashing import file_hash
from drydown.jobs.spec import JobSpec, SheetSpec, StepSpec
from drydown.showing import shown
from drydown.studio.guess import listed

if TYPE_CHECKING:
    from drydown.imaging.read import Picture


def job_of(spec: JobSpec, folder: Path) -> Job:
    """What the steps may know, from the snapshot. Raises MachineFault where the profile's snapshot is gone or changed."""
    stock = spec.stock
    if file_hash(stock.profile) != stock.profile_blake3:
        raise MachineFault(
            f"{stock.profile.name} is not the profile that this job was made with; retry the job"
        )
    return Job(
        id=spec.shown_as or spec.job,
        source=spec.source,
        scratch=folder,
        stock=Stock(
            name=stock.name,
            profile=stock.profile,
            icc=stock.profile.read_bytes(),
            ppi=stock.ppi,
            intent=stock.intent,
            black_point_compensation=stock.black_point_compensation,
            unprintable_mm=stock.unprintable_mm,
            sharpen_strength=stock.sharpen_strength,
            ticket=stock.ticket,
            lot=stock.lot,
            dry_minutes=stock.dry_minutes,
            refeed=stock.refeed,
            strip_quality=stock.strip_quality,
        ),
        sheet=_sheet(spec.sheet),
        final_sheet=_sheet(spec.final_sheet),
        margins_mm=spec.margins_mm,
        viewing_mm=spec.viewing_mm,
        light=spec.light,
        anyway=spec.anyway,
        recipe=spec.recipe,
        copies=spec.copies,
        edition=spec.edition,
        made=spec.made,
        facts={"lot": stock.lot, "conversion": conversion(spec), "settings": settings_in_short(spec)},
    )


def conversion(spec: JobSpec) -> str:
    """How colours were carried over, for the slug: the step's own word, else the stock's. Empty where the recipe has no `convert`."""
    step = next((step for step in reversed(spec.steps) if step.use == "convert"), None)
    if step is None:
        return ""
    if step.settings.get("hard_proof"):
        return "imitates another paper"
    intent = step.settings.get("intent") or spec.stock.intent
    asked = step.settings.get("black_point_compensation")
    compensated = spec.stock.black_point_compensation if asked is None else asked
    return f"{intent}, black point compensated" if compensated else str(intent)


def settings_in_short(spec: JobSpec) -> str:
    """What somebody has set in numbers, for the slug: `tone-lift lift_L 3; sharpen strength 0.4`."""
    parts = []
    for step in spec.steps:
        said = [
            f"{key} {value:g}"
            for key, value in step.settings.items()
            if key in step.origin and isinstance(value, int | float) and not isinstance(value, bool)
        ]
        if said:
            parts.append(f"{step.name} {', '.join(said)}")
    return "; ".join(parts)


def _sheet(spec: SheetSpec) -> Sheet:
    return Sheet(spec.name, spec.size, spec.pwg)


def links_of(
    spec: JobSpec, facts: dict[str, Any] | None = None
) -> tuple[tuple[Link, ...], SheetOffer[Any], Any]:
    """The chain as the spec says it, from exactly the plugins that it names.

    A studio's file is taken as it is now. Where that is not what the job was planned with, `facts` gets "changed_plugins": who offers it, and the hash
    of what was loaded. Raises Hold where it no longer offers the step or does not take its settings any more, StepCrashed where it does not load.
    """
    offers: dict[str, dict[str, Any]] = {}

    def offer(step: StepSpec) -> Any:
        ref = step.plugin
        if ref.module not in offers:
            offers[ref.module], now = _loaded(step)
            if now != ref.blake3 and facts is not None:
                facts.setdefault("changed_plugins", {})[ref.offered_by] = now
        found = offers[ref.module].get(step.use)
        if found is None:
            raise _unfit(step, f"it no longer offers '{step.use}'")
        return found

    links = []
    for step in spec.steps:
        found = offer(step)
        if not isinstance(found, StepOffer):
            raise StepCrashed(step.name, step.plugin.offered_by, f"'{step.use}' is a sheet maker, not a step")
        links.append(Link(step.name, found, _settings(step, found), step.plugin.offered_by))
    maker = offer(spec.maker)
    if not isinstance(maker, SheetOffer):
        raise StepCrashed(
            spec.maker.name, spec.maker.plugin.offered_by, f"'{spec.maker.use}' is not a sheet maker"
        )
    return tuple(links), maker, _settings(spec.maker, maker)


_MEND = "mend the plugin or the recipe, then retry the job"


def _loaded(step: StepSpec) -> tuple[dict[str, Any], str]:
    ref = step.plugin
    try:
        return load_as_it_is(Origin(ref.module, ref.file, ref.offered_by, ref.blake3))
    except (Exception, SystemExit) as error:
        if is_machines(error):
            raise
        found = problem(ref.offered_by, error)
        at = f" at {found.place}" if found.place else ""
        raise _unfit(step, f"its plugin does not load{at}: {found.reason}") from error


def _settings(step: StepSpec, offer: StepOffer[Any] | SheetOffer[Any]) -> Any:
    """The plan's settings, checked by the plugin as it is now."""
    try:
        return offer.settings.model_validate(step.settings)
    except ValidationError as error:
        faults = [
            f"{'.'.join(map(str, one['loc'])) or 'together'} ({one['msg']}; found {one['input']!r})"
            for one in error.errors(include_url=False)
        ]
        what = f"the job's settings no longer fit {line_of(offer.settings)}: {listed(faults)}"
        raise _unfit(step, what) from error


def _unfit(step: StepSpec, what: str) -> Hold:
    """Trying again would end the same way, so a person is asked at once."""
    return Hold(
        shown(f"step '{step.name}' (offered by {step.plugin.offered_by}) cannot go on: {what}; {_MEND}")
    )


def opener_of(
    spec: JobSpec, source: Path, job: Job, folder: Path, facts: dict[str, Any]
) -> Callable[[Access], Frame]:
    """How the chain opens `source`; what was found is put into `facts`."""
    from drydown.imaging.read import open_picture

    def opened(access: Access) -> Frame:
        picture = open_picture(
            source,
            untagged=spec.untagged,
            access=access,
            max_pixels=spec.max_pixels,
            scratch=folder,
            proved=bool(facts),
        )
        facts.update(picture.facts)
        return framed(picture, source, job)

    return opened


def framed(picture: Picture, source: Path, job: Job) -> Frame:
    """An opened picture as the first step gets it: its ppi as if the whole of it filled the sheet's room."""
    width, height = picture.pixels.width, picture.pixels.height
    room = job.picture(turned=job.turned_for(width, height))
    ppi = max(width / room.width, height / room.height) * MM_PER_INCH
    return Frame(pixels=picture.pixels, icc=picture.icc, ppi=ppi, source=source, notes=picture.notes)
