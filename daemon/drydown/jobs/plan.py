"""From what the studio's files say to a job's snapshot: nothing that changes afterwards can change the job."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from blake3 import blake3

from drydown import __version__
from drydown.api import Sheet
from drydown.discovery import Origin
from drydown.durable import write_atomic
from drydown.errors import Hold, is_machines
from drydown.jobs.spec import Companion, JobSpec, PluginRef, SheetSpec, StepSpec, StockSpec
from drydown.studio.layers import Complete
from drydown.studio.resolve import Resolved
from drydown.studio.settings import DaemonTable, PagesTable, Repeated

NO_PAGES = PagesTable(make=False)
#: libraries whose version may change a pixel
LIBRARIES = ("pyvips-binary", "pillow", "pillow-heif", "psd-tools", "numpy", "scipy")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The claimed picture that a job is for, and where its sheet goes."""

    job: str
    hot_folder: str
    prints: Path
    source: Path
    source_name: str  #: escaped for showing
    stem: str  #: harmless in a path
    made: str  #: ISO 8601, local, with offset
    approve: bool = False
    repeated: Repeated | None = None
    repeat_hours: float = 0.0
    anyway: bool = False
    asked: Mapping[str, Any] = field(
        default_factory=dict
    )  #: settings that a command asked for, already in what was resolved
    companions: tuple[Companion, ...] = ()  #: the other pictures of a group proof


def plan(
    resolved: Resolved,
    picture: Picture,
    *,
    origins: Mapping[str, Origin],
    limits: DaemonTable,
    pages: PagesTable = NO_PAGES,
    root: Path,
    profiles: Path,
) -> JobSpec:
    """The whole job as data. `root`: the studio; `profiles`: the folder of kept profiles and other files, named by their hash.

    Raises Hold where a file that the recipe names cannot be read, OSError where it cannot be kept.
    """
    kept, digest = _keep(resolved.profile, profiles)
    made = [_step(part, origins, root, profiles) for part in (*resolved.steps, resolved.maker)]
    screen, said = _screen(pages, root, profiles)
    return JobSpec(
        job=picture.job,
        hot_folder=picture.hot_folder,
        prints=picture.prints,
        source=picture.source,
        source_name=picture.source_name,
        stem=picture.stem,
        recipe=resolved.recipe.name,
        steps=tuple(made[:-1]),
        maker=made[-1],
        stock=_stock(resolved, kept, digest),
        sheet=_sheet(resolved.sheet),
        final_sheet=_sheet(resolved.final_sheet),
        margins_mm=resolved.margins_mm,
        leaf=resolved.recipe.leaf,
        viewing_mm=resolved.viewing_mm,
        light=resolved.light,
        untagged=resolved.untagged,
        max_pixels=limits.max_pixels,
        anyway=picture.anyway,
        approve=picture.approve,
        repeated=picture.repeated,
        repeat_hours=picture.repeat_hours,
        copies=resolved.copies,
        edition=resolved.edition,
        companions=picture.companions,
        asked=dict(picture.asked),
        page=pages.make,
        screen=screen,
        notes=(*resolved.notes, *said),
        made=picture.made,
        deadline_s=limits.deadline_s,
        memory_mb=limits.memory_mb,
        versions=versions(),
    )


def _screen(pages: PagesTable, root: Path, profiles: Path) -> tuple[Path | None, tuple[str, ...]]:
    """The kept profile of the screen; no sheet waits for one that cannot be read: then sRGB, and a note. Raises OSError."""
    if not pages.make or pages.screen is None:
        return None, ()
    try:
        return _keep(root / pages.screen, profiles)[0], ()
    except Hold as error:
        return None, (f"the page shows sRGB: the screen's profile, {error}",)


def versions() -> dict[str, str]:
    """The program, the interpreter and every library that may change a pixel."""
    found = {"drydown": __version__, "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return found


def _stock(resolved: Resolved, kept: Path, digest: str) -> StockSpec:
    stock = resolved.stock
    return StockSpec(
        name=resolved.stock_name,
        profile=kept,
        profile_blake3=digest,
        ppi=stock.ppi,
        intent=stock.intent,
        black_point_compensation=stock.black_point_compensation,
        unprintable_mm=stock.unprintable(),
        sharpen_strength=stock.sharpen_strength,
        ticket=stock.ticket.stated(),
        dry_minutes=stock.dry_minutes,
        cure_hours=stock.cure_hours,
        lot=stock.lot,
        refeed=stock.refeed,
        strip_quality=stock.strip_quality,
    )


def _step(step: Complete, origins: Mapping[str, Origin], root: Path, profiles: Path) -> StepSpec:
    origin = origins[step.use]
    values = step.values()
    for key, value in step.settings:
        if isinstance(value, Path):  # such as a profile to imitate: below the studio, and kept as it is now
            values[key] = str(_keep(root / value, profiles)[0])
    return StepSpec(
        name=step.name,
        use=step.use,
        settings=values,
        origin=dict(step.origin),
        plugin=PluginRef.model_validate(asdict(origin)),
    )


def _sheet(sheet: Sheet) -> SheetSpec:
    return SheetSpec(name=sheet.name, size=sheet.size, pwg=sheet.pwg)


def _keep(file: Path, store: Path) -> tuple[Path, str]:
    """A file's bytes under their own hash: one that is replaced later does not change a job made before. Raises Hold, OSError."""
    try:
        data = file.read_bytes()
    except OSError as error:
        if is_machines(error):  # nothing for a person to put back
            raise
        raise Hold(
            f"{file.name} cannot be read ({error.strerror}). Put it back, then retry the job."
        ) from error
    digest = blake3(data).hexdigest()
    kept = store / f"{digest[:32]}{file.suffix}"
    if not kept.exists():
        store.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_atomic(kept, data, mode=0o600)
    return kept, digest
