"""A job and an event as the ledger tells them: frozen values, read from a row. Knows columns, no SQL and no folders."""

from __future__ import annotations

import json
import os
import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drydown.jobs.names import sheet_prefix
from drydown.jobs.states import FINAL, STATES, Question, Stage

if TYPE_CHECKING:
    from drydown.jobs.spec import AttemptResult, JobSpec

Value = str | bytes | int | float | None  #: what SQLite keeps


@dataclass(frozen=True)
class JobRow:
    """One job. Times are seconds since 1970; paths are bytes in the ledger, so that any name survives."""

    seq: int  #: order of arrival
    id: str
    stage: Stage
    hot_folder: str
    taken: Path | None  #: the claimed folder; None where the original was not claimed and stays where it is
    taken_shown: str  #: the same, escaped for showing, where that is another text
    original: str  #: file name of the original in `taken`, as `os.fsdecode` gives it
    dropped: Path | None  #: where the picture lay before it was claimed
    copied: bool  #: the claimed original is a copy: the person's own file still lies at `dropped`
    source_name: str  #: its name as dropped, escaped for showing
    spec_json: str  #: empty until the job was planned
    attempt: int
    interrupted: int
    strikes: int
    pauses: int  #: pauses in a row
    not_before: float
    boot_id: str  #: of the machine's start during which publishing began
    prints: Path | None  #: folder of the sheet, once staged
    stem: str  #: what the names of its outputs begin with, once staged
    sheet_name: str  #: final name of the sheet, once staged
    sheet_blake3: str
    approved: bool
    question: Question
    reason: str
    result_json: str
    again_of: str  #: the job whose picture is printed again
    collected: float  #: when the published sheet was seen to have been taken away; 0 where it was not
    created: float
    updated: float

    @property
    def state(self) -> str:
        """Its job-state in RFC 8011's words."""
        return STATES[self.stage]

    @property
    def is_final(self) -> bool:
        """True when nothing will happen to it any more."""
        return self.stage in FINAL

    @property
    def prefix(self) -> str:
        """What the names of all its outputs begin with: `<stem>__<job>`."""
        return sheet_prefix(self.stem, self.id)

    @property
    def sheet(self) -> Path | None:
        """Where the sheet is, or will be, once it was staged."""
        return self.prints / self.sheet_name if self.prints is not None and self.sheet_name else None

    @property
    def original_path(self) -> Path | None:
        """The claimed original; None where it was not claimed."""
        return self.taken / self.original if self.taken is not None and self.original else None

    @property
    def asks_approval(self) -> bool:
        """True when its plan wants a person to see the preview before the sheet is published."""
        return bool(self.spec_data.get("approve"))

    @property
    def spec_data(self) -> dict[str, Any]:
        """The plan as plain values; empty where there is none that can be read."""
        return _object(self.spec_json)

    @property
    def result_data(self) -> dict[str, Any]:
        """The last answer as plain values; empty where there is none that can be read."""
        return _object(self.result_json)

    @cached_property
    def spec(self) -> JobSpec | None:
        """What the job was planned as; None until it was. Raises ValueError for one that this program cannot read."""
        from drydown.jobs.spec import JobSpec  # here: listing jobs needs no models

        return JobSpec.model_validate(json.loads(self.spec_json)) if self.spec_json else None

    @cached_property
    def result(self) -> AttemptResult | None:
        """What its last attempt answered; None before the first. Raises ValueError for one that this program cannot read."""
        from drydown.jobs.spec import AttemptResult

        return AttemptResult.model_validate(json.loads(self.result_json)) if self.result_json else None

    def public(self) -> dict[str, Any]:
        """The job as commands print it with `--json`: one flat object of plain values."""
        spec, result = self.spec_data, self.result_data
        seconds = result.get("seconds") or {}
        return {
            "job": self.id,
            "state": self.state,
            "stage": str(self.stage),
            "source": self.source_name,
            "hot_folder": self.hot_folder,
            "recipe": spec.get("recipe", ""),
            "sheet_maker": (spec.get("maker") or {}).get("use", ""),
            "outputs": [os.fspath(self.sheet)] if self.sheet is not None and self.stage is Stage.DONE else [],
            "seconds": round(sum(seconds.values()), 3) if seconds else None,
            "reason": self.reason,
            "question": str(self.question),
            "attempts": self.attempt,
            "again_of": self.again_of,
            "created": iso(self.created),
            "updated": iso(self.updated),
        }


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened to a job; never changed afterwards. `stage` is the one it led to."""

    seq: int
    time: float
    job: str
    event: str
    stage: Stage
    attempt: int
    culprit: str
    detail: str


def of_stock(stock: str) -> str:
    """What the event of a verification has for a job's name: it belongs to a stock, and no job's name holds a space."""
    return f"stock {stock}"


@dataclass(frozen=True, slots=True)
class VerifiedRow:
    """One verification of a stock's profile. `report`: its figures as JSON values."""

    time: float
    stock: str
    report: dict[str, Any]

    @property
    def passed(self) -> bool:
        """Whether every figure kept its limit."""
        return self.report.get("passed") is True


def verified_row(row: sqlite3.Row) -> VerifiedRow:
    """Raises ValueError or TypeError for a row that this program cannot have written."""
    return VerifiedRow(
        time=float(row["time"]),
        stock=str(row["job"]).removeprefix(of_stock("")),
        report=_object(row["detail"]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A picture that was claimed: what the ledger must know of it before any plan is made."""

    job: str
    hot_folder: str
    taken: Path | None
    original: str = ""  #: its file name in `taken`
    source_name: str = ""  #: as dropped, escaped for showing; default: `original`, escaped
    dropped: Path | None = None
    copied: bool = False
    again_of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedSheet:
    """Where a staged sheet is, and what it is to be called: `name` in the folder `prints`."""

    prints: Path
    stem: str
    name: str
    blake3: str
    identity: bytes = b""  #: which print it is, see jobs/repeats.py

    def columns(self) -> dict[str, Value]:
        """As the ledger keeps it."""
        prints = os.fsencode(self.prints)
        return {
            "prints": prints,
            "stem": self.stem,
            "sheet_name": self.name,
            "sheet_blake3": self.blake3,
            "identity": self.identity,
        }


def iso(time_s: float) -> str:
    """Seconds since 1970 as ISO 8601, local, with offset, to the millisecond; empty for 0."""
    return datetime.fromtimestamp(time_s).astimezone().isoformat(timespec="milliseconds") if time_s else ""


def job_row(row: sqlite3.Row, unpack: Callable[[str | bytes], str]) -> JobRow:
    """`unpack`: gives back the long texts. Raises ValueError or TypeError for a row that this program cannot have written."""
    return JobRow(
        seq=int(row["seq"]),
        id=str(row["id"]),
        stage=Stage(row["stage"]),
        hot_folder=row["hot_folder"],
        taken=_path(row["taken"]),
        taken_shown=row["taken_shown"],
        original=os.fsdecode(row["original"]),
        dropped=_path(row["dropped"]),
        copied=bool(row["copied"]),
        source_name=row["source_name"],
        spec_json=unpack(row["spec"]),
        attempt=int(row["attempt"]),
        interrupted=int(row["interrupted"]),
        strikes=int(row["strikes"]),
        pauses=int(row["pauses"]),
        not_before=float(row["not_before"]),
        boot_id=row["boot_id"],
        prints=_path(row["prints"]),
        stem=row["stem"],
        sheet_name=row["sheet_name"],
        sheet_blake3=row["sheet_blake3"],
        approved=bool(row["approved"]),
        question=Question(row["question"]),
        reason=row["reason"],
        result_json=unpack(row["result"]),
        again_of=row["again_of"],
        collected=float(row["collected"]),
        created=float(row["created"]),
        updated=float(row["updated"]),
    )


def seal_of(row: sqlite3.Row) -> int:
    """A checksum over all of a row but its seal: SQLite notices a broken page, not a broken letter.

    `identity` came later and is left out, so that the seals of earlier ledgers hold; no more than a question hangs on it.
    """
    values = [row[name] for name in row.keys() if name not in ("seal", "identity")]  # noqa: SIM118 - a Row iterates over its values
    return zlib.crc32(repr(values).encode("utf-8", "backslashreplace"))


def event_row(row: sqlite3.Row) -> EventRow:
    """Raises ValueError or TypeError for a row that this program cannot have written."""
    return EventRow(
        seq=int(row["seq"]),
        time=float(row["time"]),
        job=row["job"],
        event=row["event"],
        stage=Stage(row["stage"]),
        attempt=int(row["attempt"]),
        culprit=row["culprit"],
        detail=row["detail"],
    )


def _path(value: bytes | None) -> Path | None:
    return Path(os.fsdecode(value)) if value else None


def _object(text: str) -> dict[str, Any]:
    try:
        value = json.loads(text) if text else {}
    except ValueError:
        return {}
    return value if isinstance(value, dict) else {}
