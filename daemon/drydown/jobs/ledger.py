"""The ledger: the durable record of jobs, and the only way to change it, one verb for each thing that may happen to a job.

Each verb is one transaction: it checks that the job's stage allows it, changes the job, and appends an event that nobody can
change. When a verb returns, what it did survives a power cut. One connection writes, in the thread that opened it; reading commands open a
`LedgerView` of their own. This module knows no folders: whoever calls a verb has done on disk what the verb says.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from drydown import durable
from drydown.errors import Conflict
from drydown.jobs.ledger_file import LedgerDamaged, LedgerFailed, open_to_write, sorted_error
from drydown.jobs.ledger_rows import Arrival, EventRow, JobRow, StagedSheet, Value, of_stock, seal_of
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.names import is_job
from drydown.jobs.record import as_json
from drydown.jobs.states import FINAL, WAITING, Question, Stage, Verb, check_move
from drydown.showing import shown, shown_apart

if TYPE_CHECKING:
    from drydown.jobs.spec import AttemptResult, JobSpec

__all__ = [
    "Arrival",
    "EventRow",
    "JobRow",
    "Ledger",
    "LedgerDamaged",
    "LedgerFailed",
    "LedgerView",
    "StagedSheet",
]


class Ledger(LedgerView):
    """The one ledger that writes. Open with `Ledger.open`; the studio's lock must be held."""

    def __init__(self, connection: sqlite3.Connection, path: Path, clock: Callable[[], float]) -> None:
        super().__init__(connection, path)
        self._clock = clock
        self._failed: LedgerFailed | None = None

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        kind_of: Callable[[Path], str],
        clock: Callable[[], float] = time.time,
        version: tuple[int, ...] = sqlite3.sqlite_version_info,
    ) -> Ledger:
        """Open for writing, made when missing, checked page by page. `kind_of(folder)` answers `network` where others write too.

        Raises MachineFault (network file system, no space), LedgerDamaged, Conflict (a later program's ledger), LedgerFailed.
        """
        ledger = Ledger(open_to_write(path, kind_of=kind_of, version=version), path, clock)
        try:
            ledger._check_seals()
        except BaseException:
            ledger.close()
            raise
        return ledger

    # what comes in

    def add(
        self,
        spec: JobSpec,
        taken: Path | None,
        *,
        dropped: Path | None = None,
        copied: bool = False,
        again_of: str = "",
    ) -> JobRow:
        """A claimed picture with its plan: pending. Raises Conflict when the job is there already."""
        arrival = Arrival(
            job=spec.job,
            hot_folder=spec.hot_folder,
            taken=taken,
            original=spec.source.name,
            source_name=spec.source_name,
            dropped=dropped,
            copied=copied,
            again_of=again_of,
        )
        return self.arrive(arrival, spec=spec)

    def arrive(
        self,
        arrival: Arrival,
        stage: Stage = Stage.CLAIMED,
        *,
        spec: JobSpec | None = None,
        question: Question = Question.NONE,
        reason: str = "",
        event: str = "claimed",
    ) -> JobRow:
        """A claimed picture that has no plan yet, or that is adopted after a crash, in the stage that its folder tells.

        Raises Conflict when the job is there already, ValueError for a name that no job can have.
        """
        plan = "" if spec is None else as_json(spec)
        return self._insert(arrival, stage, event, question=question, reason=reason, spec=plan)

    def restore(
        self,
        arrival: Arrival,
        stage: Stage,
        *,
        question: Question = Question.NONE,
        reason: str = "",
        spec: Mapping[str, Any] | None = None,
        result: Mapping[str, Any] | None = None,
        sheet: StagedSheet | None = None,
        created: float = 0.0,
    ) -> JobRow:
        """A job that a lost ledger knew, as its record tells it. `created`: when it was claimed. Raises like `arrive`."""
        columns: dict[str, Value] = {
            "question": question,
            "reason": reason,
            "spec": json.dumps(spec) if spec else "",
            "result": json.dumps(result) if result else "",
        }
        if sheet is not None:
            columns |= sheet.columns()
        if created:
            columns["created"] = created
        return self._insert(arrival, stage, "restored", **columns)

    def plan(self, job: str, spec: JobSpec) -> JobRow:
        """Set, or set anew, what a waiting or held job is to become. Raises Conflict once an attempt runs."""
        with self._transaction():
            row = self.job(job)
            if row.stage not in (*WAITING, Stage.HELD):
                raise Conflict(f"job {row.id} is {row.state}: its plan cannot be changed now")
            if spec.job != row.id:
                raise ValueError(f"the plan is for job {spec.job}, not for {row.id}")
            self._set(row, "planned", row.stage, spec=as_json(spec), source_name=spec.source_name)
        return self.job(row.id)

    def relocated(self, job: str, taken: Path, *, prints: Path | None, spec: Mapping[str, Any]) -> JobRow:
        """Its claimed folder lies elsewhere now, and with it perhaps its prints folder and what its plan names."""
        with self._transaction():
            row, path = self.job(job), os.fsencode(taken)
            self._set(
                row,
                "relocated",
                row.stage,
                taken=path,
                taken_shown=shown_apart(path),
                prints=None if prints is None else os.fsencode(prints),
                spec=json.dumps(spec) if spec else "",
            )
        return self.job(row.id)

    # an attempt and what came of it

    def start(self, job: str) -> int:
        """An attempt begins: committed before the work, so that a job which kills its process is counted. Answers its number."""
        with self._transaction():
            row, verb = self._moving(job, "start")
            self._set(row, verb.event, verb.to, attempt=row.attempt + 1, not_before=0, question="", reason="")
        return row.attempt + 1

    def staged(self, job: str, sheet: StagedSheet, result: AttemptResult) -> JobRow:
        """The sheet lies synced under its staging name, everything else of the job beside it, and the marker in its claimed folder."""
        return self._move(job, "staged", result=result, approved=0, pauses=0, **sheet.columns())

    def retry(
        self, job: str, *, not_before: float, strikes: int, reason: str, result: AttemptResult | None = None
    ) -> JobRow:
        """The attempt failed and counts; another may start from `not_before` on."""
        return self._move(
            job, "retry", result=result, reason=reason, not_before=not_before, strikes=strikes, pauses=0
        )

    def pause(
        self, job: str, *, not_before: float, pauses: int, reason: str, result: AttemptResult | None = None
    ) -> JobRow:
        """The machine was at fault; nothing is charged to the job."""
        return self._move(job, "pause", result=result, reason=reason, not_before=not_before, pauses=pauses)

    def hold(
        self,
        job: str,
        question: Question,
        reason: str,
        *,
        strikes: int | None = None,
        result: AttemptResult | None = None,
    ) -> JobRow:
        """A person must decide."""
        counts = {} if strikes is None else {"strikes": strikes}
        return self._move(job, "hold", result=result, question=question, reason=reason, pauses=0, **counts)

    def fail(
        self, job: str, reason: str, *, strikes: int | None = None, result: AttemptResult | None = None
    ) -> JobRow:
        """It cannot be printed: final."""
        counts = {} if strikes is None else {"strikes": strikes}
        return self._move(job, "fail", result=result, question="", reason=reason, **counts)

    def interrupted(self, job: str, *, charged: bool = True) -> JobRow:
        """The daemon ended while this job ran: back to the queue, counted apart; not `charged` where the machine was to blame."""
        with self._transaction():
            row, verb = self._moving(job, "interrupted")
            self._set(row, verb.event, verb.to, interrupted=row.interrupted + int(charged), not_before=0)
        return self.job(row.id)

    # handing over

    def publishing(self, job: str, boot_id: str) -> JobRow:
        """The intent: the next thing that happens is the one rename. `boot_id` tells later whether the power was cut in between."""
        return self._move(job, "publishing", boot_id=boot_id, question="", reason="")

    def published(self, job: str) -> JobRow:
        """The rename happened and its folder was synced."""
        return self._move(job, "published")

    def done(self, job: str, *, reason: str = "") -> JobRow:
        """The original was put away: final."""
        return self._move(job, "done", reason=reason)

    def restage(self, job: str) -> JobRow:
        """The staged sheet is gone or was changed: the job is rendered again."""
        return self._move(job, "restage", question="", reason="", not_before=0)

    def collected(self, job: str) -> JobRow:
        """The published sheet was taken away by whoever prints it."""
        with self._transaction():
            row = self.job(job)
            self._set(row, "collected", row.stage, collected=self._clock())
        return self.job(row.id)

    # what a person asks for

    def release(self, job: str) -> JobRow:
        """A held, paused or failing job goes back to the queue at once, its counters at zero."""
        return self._move(
            job, "release", question="", reason="", not_before=0, strikes=0, pauses=0, interrupted=0
        )

    def approve(self, job: str) -> JobRow:
        """A held job whose sheet is staged goes on as it is."""
        return self._move(job, "approve", approved=1, question="", reason="")

    def cancel(self, job: str, reason: str = "Cancelled by a person.") -> JobRow:
        """Stop for good."""
        return self._move(job, "cancel", question="", reason=reason)

    def remember(self, name: str, value: str) -> None:
        """Keep a word about the ledger itself, such as the machine's last start."""
        with self._transaction():
            self._do(
                "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                (name, value),
            )

    def note(self, job: str, event: str, detail: str) -> None:
        """Something happened that changes nothing about the job."""
        with self._transaction():
            row = self.job(job)
            self._note(row.id, event, row.stage, row.attempt, self._clock(), detail=detail)

    # how

    def verified(self, stock: str, report: str) -> None:
        """What a verification of a stock's profile found, as JSON: an event that belongs to no job."""
        with self._transaction():
            self._note(of_stock(stock), "verified", "", 0, self._clock(), detail=report)

    def _insert(self, arrival: Arrival, stage: Stage, event: str, **more: Value) -> JobRow:
        if not is_job(arrival.job):
            wanted = "8 to 32 small letters and digits"
            raise ValueError(f"'{shown(arrival.job)}' cannot be the name of a job: {wanted}")
        now = self._clock()
        taken, dropped = (
            None if path is None else os.fsencode(path) for path in (arrival.taken, arrival.dropped)
        )
        columns: dict[str, Value] = {
            "id": arrival.job,
            "stage": stage,
            "hot_folder": arrival.hot_folder,
            "taken": taken,
            "taken_shown": shown_apart(taken or b""),
            "original": os.fsencode(arrival.original),
            "dropped": dropped,
            "copied": arrival.copied,
            "source_name": arrival.source_name or shown(arrival.original),
            "again_of": arrival.again_of,
            "created": now,
            "updated": now,
            **more,
        }
        with self._transaction():
            if self.has(arrival.job):
                raise Conflict(f"job {arrival.job} is in the ledger already")
            self._models.pack_all(columns)
            names, marks = ", ".join(columns), ", ".join("?" * len(columns))
            self._do(f"INSERT INTO job ({names}) VALUES ({marks})", tuple(columns.values()))  # noqa: S608 - our own names
            self._seal(arrival.job)
            self._note(arrival.job, event, stage, 0, now, detail=str(more.get("reason") or ""))
        return self.job(arrival.job)

    def _move(self, job: str, verb: str, *, result: AttemptResult | None = None, **columns: Value) -> JobRow:
        culprit = ""
        if result is not None:
            columns["result"], culprit = as_json(result), result.culprit
        with self._transaction():
            row, found = self._moving(job, verb)
            self._set(row, found.event, found.to, culprit=culprit, **columns)
        return self.job(row.id)

    def _moving(self, job: str, verb: str) -> tuple[JobRow, Verb]:
        row = self.job(job)
        return row, check_move(row.id, row.stage, verb)

    def _set(self, row: JobRow, event: str, stage: Stage, *, culprit: str = "", **columns: Value) -> None:
        now = self._clock()
        columns |= {"stage": stage, "updated": now}
        self._models.pack_all(columns)
        names = ", ".join(f"{name} = ?" for name in columns)
        self._do(f"UPDATE job SET {names} WHERE id = ?", (*columns.values(), row.id))  # noqa: S608 - our own names
        self._seal(row.id)
        attempt = columns.get("attempt", row.attempt)
        assert isinstance(attempt, int)
        self._note(
            row.id, event, stage, attempt, now, culprit=culprit, detail=str(columns.get("reason") or "")
        )

    def _seal(self, job: str) -> None:
        row = self._rows("SELECT * FROM job WHERE id = ?", (job,))[0]
        self._do("UPDATE job SET seal = ? WHERE id = ?", (seal_of(row), job))

    def _check_seals(self) -> None:
        """Nothing is concluded from a row that is not, letter for letter, what was written."""
        final = ", ".join("?" * len(FINAL))
        for row in self._rows(f"SELECT * FROM job WHERE stage NOT IN ({final})", tuple(FINAL)):  # noqa: S608
            if seal_of(row) != row["seal"]:
                raise LedgerDamaged(f"the ledger {self.path} is damaged (job {shown(str(row['id']))})")
        self.live()  # their long texts come back too

    def _note(
        self,
        job: str,
        event: str,
        stage: Stage | Literal[""],
        attempt: int,
        now: float,
        *,
        culprit: str = "",
        detail: str = "",
    ) -> None:
        self._do(
            "INSERT INTO event (time, job, event, stage, attempt, culprit, detail) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (now, job, event, stage, attempt, culprit, detail),
        )

    def _do(self, statement: str, values: Sequence[Value]) -> None:
        self._connection.execute(statement, values)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, and on the disk when it ends. After a commit that failed nothing is written any more: the truth is on disk, not here."""
        if self._failed is not None:
            raise self._failed
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            yield
            durable.step("commit")
            self._connection.execute("COMMIT")
        except (sqlite3.ProgrammingError, sqlite3.IntegrityError):  # a defect of ours, not of the file
            self._roll_back()
            raise
        except sqlite3.Error as error:
            self._roll_back()
            fault = sorted_error(error, self.path)
            if isinstance(fault, LedgerFailed | LedgerDamaged):
                self._failed = LedgerFailed(str(fault))
            raise fault from error
        except BaseException:
            self._roll_back()
            raise
        durable.step("commit.done")

    def _roll_back(self) -> None:
        self._models.forget()
        with contextlib.suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
