"""Copies of pictures that were printed before, for a new job of the same picture: the old job keeps its own.

What was put away is only taken when it is, byte for byte, what the old job printed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from drydown import durable
from drydown.errors import Conflict, NotFound
from drydown.intake.copyin import claim_copy
from drydown.intake.record import Claimed
from drydown.jobs.hashing import file_hash
from drydown.jobs.ledger import Arrival
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.originals import kept_kind, kept_path
from drydown.jobs.places import Places
from drydown.jobs.spec import Companion
from drydown.service.workshop import Workshop


@dataclass(frozen=True, slots=True)
class Original:
    """Where the picture of an earlier job lies now, and its BLAKE3."""

    row: JobRow
    path: Path
    blake3: str


def original_of(places: Places, row: JobRow) -> Original:
    """The picture of a job. Raises NotFound where it is gone, Conflict where it is another one now, OSError."""
    path = kept_path(places, row, kept_kind(row.stage)) if row.is_final else row.original_path
    if path is None or not path.is_file():
        where = "its folder" if path is None else places.shown(path)
        raise NotFound(
            f"the original of job {row.id} is no longer at {where}; put it back, or drop the picture again"
        )
    digest = file_hash(path)
    printed = str(row.result_data.get("source_blake3") or "")
    if printed and digest != printed:
        raise Conflict(
            f"{places.shown(path)} is no longer the picture that job {row.id} was made from: it has changed since. "
            "Put the old one back, or drop the new one as a picture of its own"
        )
    return Original(row, path, digest)


def copied_in(workshop: Workshop, original: Original) -> Claimed:
    """A copy of the picture, claimed for a new job. Raises OSError."""
    job = workshop.reception.new_job()
    claimed = claim_copy(original.path, workshop.places.copies, job, workshop.desk.publisher.clock())
    workshop.log.write("claimed", job, source=original.row.source_name, again_of=original.row.id)
    return claimed


def companions_in(claimed: Claimed, originals: Iterable[Original]) -> list[Companion]:
    """Copies of the other pictures of a group, beside the first. Their names begin with a dot: they are no claims of their own. Raises OSError."""
    made = []
    for number, original in enumerate(originals, 1):
        path = claimed.path.parent / f".companion-{number}{original.path.suffix}"
        durable.copy_durable(original.path, path)
        row = original.row
        made.append(Companion(source=path, source_name=row.source_name, job=row.id, blake3=original.blake3))
    return made


def arrival_of(claimed: Claimed, original: Original, hot_folder: str) -> Arrival:
    """The new job as the ledger first hears of it."""
    row = original.row
    return Arrival(
        job=claimed.job,
        hot_folder=hot_folder,
        taken=claimed.path.parent,
        original=claimed.name,
        source_name=row.source_name,
        dropped=original.path,
        copied=True,
        again_of=row.id,
    )
