"""What the folders tell of jobs that the ledger does not know: pictures that are claimed, and records of what is finished.

Used at every start for claimed pictures that a crash kept from the ledger, and for everything when the ledger itself was lost. What may have been
printed already is never made again unasked: a person decides.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.jobs.desk import Desk
from drydown.jobs.ledger import Arrival, Ledger, StagedSheet
from drydown.jobs.names import CLAIM_NOTE, RECORD, STAGED_MARKER, is_job, job_of_note
from drydown.jobs.originals import records_kept
from drydown.jobs.places import Places
from drydown.jobs.record import read_record
from drydown.jobs.repeats import identity_of
from drydown.jobs.states import Question, Stage

#: Job-state of a record beside a put-away original -> the stage it means.
_STAGES = {"completed": Stage.DONE, "aborted": Stage.FAILED, "canceled": Stage.CANCELLED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Adoptable:
    """A claimed folder as it was found. `original`: file name of the picture in it, empty when there is none."""

    job: str
    path: Path
    hot_folder: str
    original: str = ""
    source_name: str = ""
    dropped: Path | None = None
    copied: bool = False
    trouble: str = ""  #: why a person must look at it first


@dataclass
class Run:
    """One recovery at work."""

    desk: Desk
    adoptables: Mapping[str, Adoptable]
    prints: Sequence[Path]
    counts: dict[str, int] = field(default_factory=dict)
    charged: bool = True  #: whether attempts that were cut short count as interrupted

    @property
    def ledger(self) -> Ledger:
        return self.desk.publisher.ledger

    @property
    def places(self) -> Places:
        return self.desk.publisher.places

    def count(self, what: str, by: int = 1) -> None:
        self.counts[what] = self.counts.get(what, 0) + by


def restore_finished(run: Run) -> None:
    """Finished jobs, from the records beside their originals, in the order in which they were claimed."""
    records = [*records_kept(run.places, "done").items(), *records_kept(run.places, "refused").items()]
    for job, record in sorted(records, key=lambda item: (_claimed_s(item[1]), item[0])):
        stage = _STAGES.get(str(record.get("state")))
        if stage is None or not is_job(job) or run.ledger.has(job):
            continue
        if stage is Stage.DONE and job in run.adoptables:
            stage = Stage.PUBLISHED  # its original still lies in the claimed folder
        original = _mapping(record.get("original"))
        arrival = Arrival(
            job=job,
            hot_folder=str(record.get("hot_folder", "")),
            taken=run.adoptables[job].path if job in run.adoptables else None,
            original=run.adoptables[job].original if job in run.adoptables else "",
            source_name=str(original.get("name", "")),
            dropped=_unhexed(original.get("dropped_hex")),
            copied=bool(original.get("copied")),
            again_of=str(record.get("again_of", "")),
        )
        _restore(run, arrival, stage, record, reason=str(record.get("reason", "")))
        run.count("restored")


def adopt(run: Run) -> None:
    """Claimed folders that no job owns: to be made, or, where a sheet was staged already, to be asked about."""
    for found in sorted(run.adoptables.values(), key=lambda found: found.job):
        if not is_job(found.job) or run.ledger.has(found.job):
            continue
        if not found.original:
            _remove_claimed(found.path)
            continue
        arrival = Arrival(
            job=found.job,
            hot_folder=found.hot_folder,
            taken=found.path,
            original=found.original,
            source_name=found.source_name,
            dropped=found.dropped,
            copied=found.copied,
        )
        run.count("adopted")
        if (found.path / STAGED_MARKER).exists():
            reason = "The ledger was lost after a sheet of this picture had been made, so nobody can tell whether it was handed over: was it printed?"
            _restore(
                run,
                arrival,
                Stage.HELD,
                _record_in_prints(run, found.job),
                reason=reason,
                question=Question.PRINTED,
            )
        elif found.trouble:
            run.ledger.arrive(
                arrival, Stage.HELD, question=Question.ORIGINAL, reason=found.trouble, event="adopted"
            )
        else:
            run.ledger.arrive(arrival, event="adopted")


def _restore(
    run: Run,
    arrival: Arrival,
    stage: Stage,
    record: Mapping[str, Any],
    *,
    reason: str,
    question: Question = Question.NONE,
) -> None:
    """A job as its record tells it, as far as there is one: its plan, and where its sheet is staged or published."""
    sheet = next(
        (_mapping(file) for file in record.get("files") or () if _mapping(file).get("kind") == "sheet"), {}
    )
    spec = _mapping(record.get("spec"))
    staged = None
    if sheet and spec.get("prints"):
        staged = StagedSheet(
            prints=Path(str(spec["prints"])),
            stem=str(spec.get("stem", "")),
            name=str(sheet.get("name", "")),
            blake3=str(sheet.get("blake3", "")),
            identity=identity_of(spec, str(_mapping(record.get("result")).get("source_blake3", ""))),
        )
    run.ledger.restore(
        arrival,
        stage,
        question=question,
        reason=reason,
        spec=spec,
        result=_mapping(record.get("result")),
        sheet=staged,
        created=_claimed_s(record),
    )


def _record_in_prints(run: Run, job: str) -> Mapping[str, Any]:
    """The record that was published with a job's preview, before its sheet; empty where there is none."""
    for folder in run.prints:
        for path in seen(run, folder):
            if job_of_note(path.name, RECORD) == job:
                return read_record(path.read_bytes()) or {}
    return {}


def relocate(run: Run) -> None:
    """The studio, or a hot folder, was moved while jobs waited: every path of theirs that lay there is told anew."""
    for row in run.ledger.live():
        found = run.adoptables.get(row.id)
        if found is None or row.taken is None or row.taken == found.path:
            continue
        old, new = _roots(row.taken, found.path)
        prints = None if row.prints is None else Path(_moved(str(row.prints), old, new))
        run.ledger.relocated(row.id, found.path, prints=prints, spec=_moved(row.spec_data, old, new))


def _roots(old: Path, new: Path) -> tuple[str, str]:
    """The two folders that differ where the rest of two paths is the same."""
    while old.name == new.name and old.parent != old and new.parent != new:
        old, new = old.parent, new.parent
    return str(old), str(new)


def _moved(value: Any, old: str, new: str) -> Any:
    """`value` with every path below `old` now below `new`."""
    match value:
        case str():
            return new + value[len(old) :] if value == old or value.startswith(f"{old}/") else value
        case list():
            return [_moved(part, old, new) for part in value]
        case dict():
            return {key: _moved(part, old, new) for key, part in value.items()}
    return value


def _remove_claimed(folder: Path) -> None:
    """A claimed folder in which nothing was claimed: our own notes, then the folder; anything else in it makes it stay."""
    for path in listed(folder):
        if path.name in (CLAIM_NOTE, STAGED_MARKER) or durable.is_unfinished(path.name):
            durable.unlink_durable(path)
    with contextlib.suppress(OSError):
        folder.rmdir()
        durable.fsync_dir(folder.parent)


def listed(folder: Path) -> list[Path]:
    """What is in a folder, by name; nothing where there is no such folder."""
    try:
        return sorted(folder.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []


def seen(run: Run, folder: Path) -> list[Path]:
    """The same of a folder that may lie on a share: where it cannot be looked into, the job log says so, and nothing is concluded."""
    try:
        return listed(folder)
    except OSError as error:
        run.desk.log.write("folder not looked into", path=run.places.shown(folder), reason=str(error))
        return []


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _claimed_s(record: Mapping[str, Any]) -> float:
    claimed = _mapping(record.get("times")).get("claimed_s")
    return float(claimed) if isinstance(claimed, int | float) else 0.0


def _unhexed(value: object) -> Path | None:
    try:
        return Path(os.fsdecode(bytes.fromhex(str(value)))) if value else None
    except ValueError:
        return None
