"""The sheet of an old job once more, from its record: the same bytes where profile, plugins and versions are the same.

What differs is said, each thing by name, before anything is made. The sheet names the old job and its date, since it is that sheet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from drydown.discovery import Origin, source_hash
from drydown.durable import write_atomic
from drydown.errors import Conflict
from drydown.jobs.hashing import file_hash
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from drydown.jobs.plan import versions
from drydown.jobs.spec import Companion, JobSpec, PluginRef, StepSpec
from drydown.jobs.states import Stage
from drydown.service.copies import Original, arrival_of, companions_in, copied_in, original_of
from drydown.service.house import House
from drydown.service.reception import RUN
from drydown.service.workshop import Workshop
from drydown.studio.guess import listed


@dataclass(frozen=True, slots=True)
class Again:
    """An old plan made ready to be carried out once more. `differs`: what is not as it was; `cannot`: what keeps it from being made at all."""

    spec: JobSpec
    differs: tuple[str, ...]
    cannot: tuple[str, ...]


def reprint(workshop: Workshop, args: Mapping[str, Any]) -> list[JobRow]:
    """Make the sheet of a completed job again, as a new job. Raises NotFound, Conflict (what differs, without `anyway`), OSError."""
    places, ledger = workshop.places, workshop.desk.publisher.ledger
    old = ledger.job(args["job"])
    spec = _record(old)
    original = original_of(places, old)
    others = [_companion(workshop, other) for other in spec.companions]
    again = ready(spec, workshop.house)
    if again.cannot:
        raise Conflict(f"the sheet of job {old.id} cannot be made again: {'; '.join(again.cannot)}")
    if again.differs and not args.get("anyway"):
        raise Conflict(
            f"the sheet of job {old.id} would not be the same: {'; '.join(again.differs)}. "
            f"Make it with what there is now: drydown reprint {old.id} --anyway"
        )
    claimed = copied_in(workshop, original)
    copies = companions_in(claimed, others)
    settled = [
        new.model_copy(update={"settings": was.settings})
        for new, was in zip(copies, spec.companions, strict=True)
    ]
    note = f"made again from the record of job {old.id}" + (
        f", though {'; '.join(again.differs)}" if again.differs else ""
    )
    new = again.spec.model_copy(
        update={
            "job": claimed.job,
            "source": claimed.path,
            "prints": spec.prints if spec.prints.is_dir() else places.root / "prints" / RUN,
            "companions": tuple(settled),
            "approve": False,
            "repeat_hours": 0.0,
            "shown_as": spec.shown_as or spec.job,
            "notes": (*spec.notes, note),
        }
    )
    return [ledger.arrive(arrival_of(claimed, original, old.hot_folder), spec=new)]


def ready(spec: JobSpec, house: House) -> Again:
    """The old plan with files and plugins of now where those of then are gone, and every difference in words."""
    differs: list[str] = []
    cannot: list[str] = []
    stock = spec.stock
    kept, digest, word = _profile(spec, house)
    (cannot if kept is None else differs).extend([word] if word else [])
    steps = [_step(step, house, differs, cannot) for step in (*spec.steps, spec.maker)]
    differs += _versions_differ(spec.versions, versions())
    update: dict[str, Any] = {"steps": tuple(steps[:-1]), "maker": steps[-1], "versions": versions()}
    if kept is not None:
        update["stock"] = stock.model_copy(update={"profile": kept, "profile_blake3": digest})
    return Again(spec.model_copy(update=update), tuple(dict.fromkeys(differs)), tuple(dict.fromkeys(cannot)))


def same_sheet(old: JobRow, new: JobRow) -> bool:
    """Whether both sheets are the same bytes."""
    return bool(old.sheet_blake3) and old.sheet_blake3 == new.sheet_blake3


def _record(old: JobRow) -> JobSpec:
    if old.stage is not Stage.DONE:
        raise Conflict(
            f"job {old.id} is {old.state}, and has no sheet to make again; `drydown show {old.id}` says more"
        )
    try:
        spec = old.spec
    except ValueError as error:
        raise Conflict(f"the record of job {old.id} cannot be read by this program: {error}") from error
    if spec is None:
        raise Conflict(f"job {old.id} has no plan on record: drop its picture again")
    return spec


def _companion(workshop: Workshop, companion: Companion) -> Original:
    original = original_of(workshop.places, workshop.desk.publisher.ledger.job(companion.job))
    if original.blake3 != companion.blake3:
        raise Conflict(
            f"{workshop.places.shown(original.path)} is no longer the picture that was on that sheet"
        )
    return original


def _profile(spec: JobSpec, house: House) -> tuple[Path | None, str, str]:
    """The kept profile, its hash, and what differs; None where there is no profile at all."""
    stock = spec.stock
    kept = house.places.profiles / stock.profile.name
    if kept.is_file() and file_hash(kept) == stock.profile_blake3:
        return kept, stock.profile_blake3, ""
    gone = f"the profile that it was made with ({stock.profile_blake3[:16]}) is no longer in {house.places.shown(kept.parent)}"
    file = house.studio.stocks.get(stock.name)
    now = house.studio.profile(stock.name) if file is not None else None
    if now is None or not now.is_file():
        return None, "", f"{gone}, and there is no stock {stock.name} with another"
    data, digest = now.read_bytes(), file_hash(now)
    here = _kept_as(house.places, digest, now.suffix, data)
    return (
        here,
        digest,
        "" if digest == stock.profile_blake3 else f"{gone}; stock {stock.name} has {digest[:16]} now",
    )


def _kept_as(places: Places, digest: str, suffix: str, data: bytes) -> Path:
    kept = places.profiles / f"{digest[:32]}{suffix}"
    places.profiles.mkdir(parents=True, exist_ok=True, mode=0o700)
    write_atomic(kept, data, mode=0o600)
    return kept


def _step(step: StepSpec, house: House, differs: list[str], cannot: list[str]) -> StepSpec:
    """The step by the plugin that there is now, its kept files below the studio as it lies now."""
    offer, origin = house.discovery.offers.get(step.use), house.discovery.origins.get(step.use)
    if offer is None or origin is None:
        cannot.append(
            f"no installed plugin offers '{step.use}' (step {step.name}, made by {step.plugin.offered_by})"
        )
        return step
    if _hash(origin) != step.plugin.blake3:
        was = step.plugin.offered_by
        text = (
            f"{was} has changed"
            if origin.offered_by == was
            else f"'{step.use}' was by {was}, and is by {origin.offered_by}"
        )
        differs.append(text)
    settings = dict(step.settings)
    try:
        model = offer.settings.model_validate(settings)
    except ValidationError as error:
        places = listed(".".join(str(part) for part in one["loc"]) for one in error.errors())
        cannot.append(f"step {step.name} does not take its settings any more ({places})")
        return step
    for key, value in model:
        if not isinstance(value, Path):
            continue
        kept = house.places.profiles / value.name
        settings[key] = str(kept)
        if not kept.is_file() or not file_hash(kept).startswith(kept.stem):
            cannot.append(f"{house.places.shown(kept)}, which step {step.name} needs, is gone")
    plugin = PluginRef.model_validate({**asdict(origin), "blake3": _hash(origin)})
    return step.model_copy(update={"settings": settings, "plugin": plugin})


def _hash(origin: Origin) -> str:
    """Of the source as it is now: a child loads a studio's plugin from its file, whatever this process has loaded."""
    try:
        return source_hash(Path(origin.file)) if origin.file else origin.blake3
    except OSError:
        return ""


def _versions_differ(then: Mapping[str, str], now: Mapping[str, str]) -> Iterator[str]:
    for name in dict.fromkeys((*then, *now)):
        if then.get(name) != now.get(name):
            yield f"{name} was {then.get(name, 'not there')}, and is {now.get(name, 'not there')}"
