"""Between intake and jobs: a claimed picture gets its row in the ledger first, then its plan; what cannot be planned is held, never lost."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from drydown.errors import Conflict, Hold, NotFound
from drydown.intake import folder
from drydown.intake.folder import TAKEN
from drydown.intake.names import job_id, safe_stem
from drydown.intake.owner import refused
from drydown.intake.record import Claimed
from drydown.intake.sidecar import is_settings
from drydown.intake.whose import Studio
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Arrival
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.originals import bring_back, kept_kind, kept_path
from drydown.jobs.plan import Picture, plan
from drydown.jobs.spec import Companion, JobSpec
from drydown.jobs.states import Question, Stage
from drydown.service.house import House
from drydown.service.verifying import with_verdict
from drydown.showing import shown
from drydown.studio.resolve import Resolved, read_picture_file, resolve, resolve_hot
from drydown.studio.settings import HotFolder

RUN = "run"  #: the hot folder that jobs of the command line say they came from


@dataclass(frozen=True, slots=True)
class Order:
    """What a command asks for. Recipe, sheet maker and sheet are those of a hot folder where the job belongs to one."""

    recipe: str
    sheet_maker: str = "final"
    sheet: str | None = None
    anyway: bool = False
    asked: Mapping[str, Any] = field(default_factory=dict)  #: step or sheet maker -> settings over all others
    companions: tuple[Companion, ...] = ()  #: the other pictures of a group proof
    stem: str = ""  #: what output names begin with; empty: the picture's name


class Reception:
    """Plans jobs by the studio as it is now. `house` is asked each time, so that a reload counts from the next job on."""

    def __init__(self, house: Callable[[], House], desk: Desk) -> None:
        self._house, self._desk = house, desk
        self._ledger, self._clock = desk.publisher.ledger, desk.publisher.clock

    def new_job(self) -> str:
        """A job id that the ledger does not know yet."""
        while self._ledger.has(job := job_id(self._clock())):
            continue
        return job

    def take(self, claimed: Claimed, order: Order | None = None) -> JobRow:
        """A claimed picture becomes a job: row first, plan second. `order`: for files of the command line."""
        arrival = Arrival(
            job=claimed.job,
            hot_folder=claimed.folder,
            taken=claimed.path.parent,
            original=claimed.name,
            source_name=shown(claimed.dropped.name),
            dropped=claimed.dropped,
            copied=order is not None,
        )
        return self.arrived(arrival, order)

    def arrived(self, arrival: Arrival, order: Order | None = None) -> JobRow:
        """The same for a picture that is claimed and described already."""
        return self.planned(self._ledger.arrive(arrival), order)

    def planned(self, row: JobRow, order: Order | None = None, *, anyway: bool = False) -> JobRow:
        """Give a job its plan, or hold it with the reason; `anyway` passes over what a step would hold it for."""
        try:
            return self._ledger.plan(row.id, self._plan(row, order, anyway=anyway))
        except (Hold, NotFound) as error:
            if row.stage is Stage.HELD:
                raise Conflict(f"job {row.id} cannot be taken up again: {error}") from error
            return self._desk.hold(row.id, Question.RECIPE, str(error))

    def retry(self, name: str, *, anyway: bool = False) -> JobRow:
        """Take a job up again by the studio as it is now: a held or waiting one as itself, a finished one as a new job of the same picture.

        Raises NotFound, Conflict (at work; or completed, unless `anyway`), OSError.
        """
        row = self._ledger.job(name)
        if row.is_final:
            return self._again(row, anyway=anyway)
        if row.stage not in (Stage.HELD, Stage.PAUSED, Stage.RETRY):
            raise Conflict(f"job {row.id} is {row.state}: there is nothing to take up again")
        if row.question is Question.PRINTED and not anyway:
            raise Conflict(
                f"job {row.id} may have been printed; look, then approve it (hand it over), cancel it, or retry it --anyway"
            )
        self.planned(row, anyway=anyway)
        return self._desk.release(row.id)

    def _again(self, row: JobRow, *, anyway: bool) -> JobRow:
        if row.stage is Stage.DONE and not anyway:
            raise Conflict(
                f"job {row.id} is completed; to print its picture once more: drydown retry {row.id} --anyway"
            )
        before = _spec_of(row)
        if before is not None and (before.shown_as or before.companions):
            again = (
                f"drydown reprint {before.shown_as}" if before.shown_as else "drydown strip, with its jobs"
            )
            raise Conflict(f"job {row.id} was made from other jobs: ask for it once more with {again}")
        places, job = self._house().places, self.new_job()
        kept = kept_path(places, row, kept_kind(row.stage))
        if not kept.exists():
            raise NotFound(
                f"the original of job {row.id} is no longer at {places.shown(kept)}; drop the picture again"
            )
        hot = self._hot(row.hot_folder)
        home = None if hot is None or row.copied else hot.path
        if home and (why := refused(folder.HotFolder(row.hot_folder, home, studio=Studio.at(places.root)))):
            raise Conflict(f"job {row.id} cannot be taken up again: {why}")
        taken = (home / TAKEN if home else places.copies) / job
        name = row.original or kept.name
        if row.copied:
            from drydown.intake.copyin import claim_copy

            claim_copy(kept, places.copies, job, self._clock())
        else:
            bring_back(kept, taken, name)
        arrival = Arrival(
            job=job,
            hot_folder=row.hot_folder,
            taken=taken,
            original=name,
            source_name=row.source_name,
            dropped=row.dropped,
            copied=row.copied,
            again_of=row.id,
        )
        new = self._ledger.arrive(arrival)
        return self.planned(new, _order_of(before), anyway=anyway)

    def _plan(self, row: JobRow, order: Order | None, *, anyway: bool) -> JobSpec:
        house = self._house()
        source = row.original_path
        if source is None:
            raise NotFound(f"job {row.id} has no original")
        before = _spec_of(row)
        if (
            before is not None and before.shown_as
        ):  # a reprint keeps the old job's plan, whatever the studio says now
            return before
        hot = self._hot(row.hot_folder)
        order = order or _order_of(before)
        resolved = with_verdict(self._resolved(house, hot, order, source), self._ledger)
        dropped = row.dropped or source
        # what a command asked for is wanted, however often
        asked_for = hot is None or row.copied or bool(row.again_of) or anyway
        picture = Picture(
            job=row.id,
            hot_folder=row.hot_folder,
            prints=hot.prints if hot else house.places.root / "prints" / RUN,
            source=source,
            source_name=row.source_name,
            stem=(order.stem if order else "") or safe_stem(os.fsdecode(dropped.name)),
            made=datetime.fromtimestamp(row.created).astimezone().isoformat(timespec="seconds"),
            approve=bool(hot and hot.approve),
            repeated=hot.repeated if hot else None,
            repeat_hours=0.0 if asked_for else house.studio.settings.daemon.repeat_window_hours,
            anyway=anyway or bool(order and hot is None and order.anyway),
            asked=order.asked if order else {},
            companions=order.companions if order else (),
        )
        return plan(
            resolved,
            picture,
            origins=house.discovery.origins,
            limits=house.studio.settings.daemon,
            pages=house.studio.settings.pages,
            root=house.places.root,
            profiles=house.places.profiles,
        )

    def _resolved(self, house: House, hot: HotFolder | None, order: Order | None, source: Path) -> Resolved:
        settings = next((path for path in sorted(source.parent.iterdir()) if is_settings(path.name)), None)
        own = read_picture_file(settings) if settings else None
        called = settings.name if settings else "settings"
        if order is not None and order.asked:
            own = _laid_over(own or {}, order.asked)
        if hot is not None:
            return resolve_hot(house.studio, hot, picture=own, picture_name=called)
        if order is None:
            raise NotFound(
                "its hot folder is no longer in studio.toml; put the folder back, then retry the job"
            )
        return resolve(
            house.studio,
            recipe=order.recipe,
            maker=order.sheet_maker,
            sheet=order.sheet,
            picture=own,
            picture_name=called,
        )

    def _hot(self, name: str) -> HotFolder | None:
        return next((hot for hot in self._house().studio.hot_folders if hot.name == name), None)


def _spec_of(row: JobRow) -> JobSpec | None:
    """The job's plan; None where it has none that this program can read."""
    try:
        return row.spec
    except ValueError:
        return None


def _order_of(spec: JobSpec | None) -> Order | None:
    """What a command had asked for, read back from the plan."""
    if spec is None:
        return None
    return Order(
        spec.recipe,
        spec.maker.use,
        spec.sheet.name,
        spec.anyway,
        asked=spec.asked,
        companions=spec.companions,
        stem=spec.stem,
    )


def _laid_over(own: Mapping[str, Any], asked: Mapping[str, Any]) -> dict[str, Any]:
    """A picture's own settings with others over them, table by table."""
    merged = dict(own)
    for name, given in asked.items():
        below = merged.pop(name, None)  # and to the end: also over what is written as `step.setting`
        merged[name] = {**below, **given} if isinstance(below, dict) and isinstance(given, dict) else given
    return merged
