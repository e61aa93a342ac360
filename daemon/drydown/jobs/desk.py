"""What happens to a job at each turn, whole: the ledger's word, what follows from it in the folders, and a line in the job log.

The ledger speaks first and the folders follow. Where they cannot follow at once (no space, a share away) the job is remembered as
behind, and `catch_up` tries again; after a crash recovery does the same.
"""

from __future__ import annotations

import contextlib
import random
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drydown.errors import Conflict, MachineFault
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import Ledger, LedgerDamaged, LedgerFailed
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.left import tail
from drydown.jobs.limits import LOG
from drydown.jobs.originals import clear_reason, kept_kind, kept_path, put_away, show_reason
from drydown.jobs.policy import back_off_s, decide
from drydown.jobs.publish import BadOutputs, Check, Publisher
from drydown.jobs.record import record_of
from drydown.jobs.removing import remove_tree
from drydown.jobs.repeats import repeat_of
from drydown.jobs.spec import AttemptResult
from drydown.jobs.states import Question, Stage
from drydown.showing import harmless

#: What an attempt may leave to read: the child's own output, and the traceback of a defect.
LOGS = (LOG, "traceback.txt")
_TAIL_BYTES = 8000
_REASON_CHARS = 500


@dataclass
class Desk:
    """One a daemon, in the thread that owns the ledger. `random` spreads the pauses; `log` tells what happened."""

    publisher: Publisher
    log: JobLog
    random: Callable[[], float] = random.random
    behind: set[str] = field(default_factory=set)  #: jobs whose folders could not follow the ledger yet

    def conclude(self, job: str, result: AttemptResult, folder: Path, *, check: Check = "size") -> JobRow:
        """What follows from an attempt: stage and publish, hold, abort, or wait and try again. Answers the job as it then is.

        A result that comes too late (of an earlier attempt, or of a job that was cancelled meanwhile) changes nothing. The
        attempt's folder goes in any case. `check`: "hash" where the attempt ran on another machine.
        Raises LedgerFailed, LedgerDamaged: this process must end.
        """
        row = self._ledger.job(job)
        if row.stage is not Stage.RUNNING or row.attempt != result.attempt:
            self.log.write("late result", row.id, attempt=result.attempt, now=row.attempt, state=row.state)
            _remove_work(folder)
            return row
        after = self._concluded_in_any_case(row, result, folder, check)
        said = {name: text for name in LOGS if (text := tail(folder / name, _TAIL_BYTES))}
        if said and result.outcome != "done":
            self.log.write("the attempt said", row.id, attempt=row.attempt, **said)
        _remove_work(folder)
        return after

    def go_on(self, job: str, *, check: Check = "size") -> JobRow:
        """Carry a staged, publishing or published job on as far as it goes; where the machine is at fault it stays and is `behind`."""
        try:
            row = self.publisher.resume(job, check=check)
        except (LedgerFailed, LedgerDamaged):
            raise
        except (OSError, MachineFault) as error:
            row = self._ledger.job(job)
            self._fell_behind(row, error)
            return row
        except Exception as error:
            row = self._ledger.job(job)
            if row.stage is not Stage.STAGED:
                raise
            return self.hold(row.id, Question.RECIPE, self._stumbled(row, error))
        self.behind.discard(row.id)
        return self._told(row)

    def pause(self, job: str, reason: str) -> JobRow:
        """The machine is not fit for this job now: wait, longer each time."""
        row = self._ledger.job(job)
        not_before = self._now() + back_off_s(row.pauses, self.random)
        return self._told(
            self._ledger.pause(row.id, not_before=not_before, pauses=row.pauses + 1, reason=reason)
        )

    def unpause(self) -> list[JobRow]:
        """The machine is fit again: every job that waits for it may start now, its pauses counted anew."""
        paused = self._ledger.in_stage(Stage.PAUSED)
        return [
            self._ledger.pause(row.id, not_before=self._now(), pauses=0, reason=row.reason) for row in paused
        ]

    def hold(self, job: str, question: Question, reason: str) -> JobRow:
        """A person must decide; the reason stands in `originals/held`."""
        return self._followed(self._ledger.hold(job, question, reason))

    def fail(self, job: str, reason: str) -> JobRow:
        """It cannot be printed; the original goes to `originals/refused` with the reason."""
        return self._followed(self._ledger.fail(job, reason))

    def cancel(self, job: str, reason: str = "Cancelled by a person.") -> JobRow:
        """Stop for good. Whoever runs its attempt ends that afterwards; the result then comes too late. Raises Conflict, NotFound."""
        return self._followed(self._ledger.cancel(job, reason))

    def release(self, job: str) -> JobRow:
        """A held or waiting job goes back to the queue now, to be rendered again. Raises Conflict, NotFound."""
        return self._followed(self._ledger.release(job))

    def approve(self, job: str) -> JobRow:
        """A held job whose sheet is staged goes on as it is. Raises Conflict where there is no such sheet, NotFound."""
        row = self._ledger.job(job)
        if row.stage is Stage.HELD and not row.sheet_name:
            raise Conflict(
                f"job {row.id} is held, but no finished sheet waits for approval: retry it, or cancel it"
            )
        return self.go_on(self._followed(self._ledger.approve(row.id)).id)

    def follow(self, row: JobRow) -> None:
        """Do in the folders what the ledger says of this job. Harmless to repeat. Raises OSError."""
        places = self.publisher.places
        if row.stage is Stage.HELD:
            show_reason(places, row)
            return
        clear_reason(places, row)
        if row.stage is Stage.CLAIMED:
            self.publisher.unstage(row)
        elif row.is_final:
            if row.stage is not Stage.DONE:
                self.publisher.withdraw(row)
            put_away(places, row, kept_kind(row.stage), self.record(row))

    def record(self, row: JobRow) -> dict[str, Any]:
        """The record of a job that is final, as it lies beside its original."""
        places = self.publisher.places
        kept = places.shown(kept_path(places, row, kept_kind(row.stage)))
        return record_of(row, now=self._now(), state=row.state, kept=kept)

    def catch_up(self) -> list[JobRow]:
        """Try again for every job that is behind; answers those that have gone on. To be called now and then."""
        moved = []
        for job in sorted(self.behind):
            row = self._ledger.job(job)
            if row.stage in (Stage.STAGED, Stage.PUBLISHING, Stage.PUBLISHED):
                moved.append(self.go_on(job))
            else:
                self._follow(row)
        return moved

    def _concluded_in_any_case(
        self, row: JobRow, result: AttemptResult, folder: Path, check: Check
    ) -> JobRow:
        """As `_concluded`, but an answer that the program stumbles over is a crash: raised, it would end every later start as well."""
        try:
            return self._concluded(row, result, folder, check)
        except (OSError, MachineFault):  # the ledger's among them
            raise
        except Exception as error:
            if self._ledger.job(row.id).stage is not Stage.RUNNING:
                raise
            # nothing else of the answer is kept: it may be what cannot be written down
            said = {"job": row.id, "attempt": row.attempt, "outcome": "crashed"}
            result = AttemptResult.model_validate(said | {"reason": self._stumbled(row, error)})
            return self._decided(row, result)

    def _stumbled(self, row: JobRow, error: Exception) -> str:
        """The reason for a person; the traceback goes to the log, for it may be our own defect."""
        trace = "".join(traceback.format_exception(error))[-_TAIL_BYTES:]
        self.log.write("answer cannot be used", row.id, attempt=row.attempt, traceback=trace)
        text = f"{type(error).__name__}: {error}"[:_REASON_CHARS]
        return str(harmless(f"What the job's process answered cannot be used ({text})"))

    def _concluded(self, row: JobRow, result: AttemptResult, folder: Path, check: Check) -> JobRow:
        if result.outcome != "done":
            return self._decided(row, result)
        repeat = repeat_of(self._ledger, row, result.source_blake3, result.record)
        if repeat is not None and repeat.refused:
            reason = repeat.refusal(self.publisher.places, row.id)
            return self._followed(self._ledger.fail(row.id, reason, result=result))
        try:
            self.publisher.stage(row.id, result, folder, check=check)
        except BadOutputs as error:
            return self._decided(row, result.model_copy(update={"outcome": "crashed", "reason": f"{error}"}))
        except (LedgerFailed, LedgerDamaged):
            raise
        except (OSError, MachineFault) as error:
            cause = {
                "outcome": "machine",
                "reason": f"The sheet cannot be put into its folder ({_plain(error)}). Mend that, and the job goes on by itself.",
            }
            return self._decided(row, result.model_copy(update=cause))
        return self.go_on(row.id)

    def _decided(self, row: JobRow, result: AttemptResult) -> JobRow:
        ledger = self._ledger
        decision = decide(
            result,
            strikes=row.strikes,
            pauses=row.pauses,
            now=self._now(),
            random=self.random,
            in_a_row=ledger.crashes_in_a_row(result.culprit) if result.culprit else 0,
        )
        reason, strikes, not_before = decision.reason, decision.strikes, decision.not_before
        match decision.verb:
            case "fail":
                return self._followed(ledger.fail(row.id, reason, strikes=strikes, result=result))
            case "hold":
                question = decision.question
                return self._followed(ledger.hold(row.id, question, reason, strikes=strikes, result=result))
            case "pause":
                pauses = decision.pauses
                return self._told(
                    ledger.pause(row.id, not_before=not_before, pauses=pauses, reason=reason, result=result)
                )
            case _:
                return self._told(
                    ledger.retry(row.id, not_before=not_before, strikes=strikes, reason=reason, result=result)
                )

    def _followed(self, row: JobRow) -> JobRow:
        self._follow(row)
        return self._told(row)

    def _follow(self, row: JobRow) -> None:
        try:
            self.follow(row)
        except (OSError, MachineFault) as error:
            self._fell_behind(row, error)
        else:
            self.behind.discard(row.id)

    def _fell_behind(self, row: JobRow, error: Exception) -> None:
        if row.id not in self.behind:  # told once, not at each try
            self.log.write("folders behind", row.id, state=row.state, stage=row.stage, reason=str(error))
        self.behind.add(row.id)

    def _told(self, row: JobRow) -> JobRow:
        self.log.write(
            row.stage, row.id, state=row.state, source=row.source_name, attempt=row.attempt, reason=row.reason
        )
        return row

    @property
    def _ledger(self) -> Ledger:
        return self.publisher.ledger

    def _now(self) -> float:
        return self.publisher.clock()


def _remove_work(folder: Path) -> None:
    """An attempt's folder, and its job's when that is empty then; what cannot go now goes at the next start."""
    remove_tree(folder)
    with contextlib.suppress(OSError):
        folder.parent.rmdir()


def _plain(error: OSError | MachineFault) -> str:
    """The system's words without its number."""
    return (error.strerror or str(error)).lower() if isinstance(error, OSError) else str(error)
