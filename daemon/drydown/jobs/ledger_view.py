"""What can be asked of the ledger: by the daemon, and by commands that only read. Knows rows and stages, changes nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Self

from drydown.errors import NotFound
from drydown.jobs.ledger_file import LedgerDamaged, open_to_read, sorted_error
from drydown.jobs.ledger_models import Models
from drydown.jobs.ledger_rows import (
    EventRow,
    JobRow,
    Value,
    VerifiedRow,
    event_row,
    job_row,
    of_stock,
    verified_row,
)
from drydown.jobs.policy import LONGEST_PAUSE_S
from drydown.jobs.states import ENDS_OF_ATTEMPTS, FINAL, VERBS, WAITING, Stage, stages_of
from drydown.showing import shown

_NEAR_AMONG = 500


class LedgerView:
    """What can be asked of a ledger. Open with `LedgerView.read(path)`; close it, or use it as a context."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._models = Models(connection)
        self.path = path

    @classmethod
    def read(cls, path: Path) -> LedgerView:
        """A view that cannot write. Raises NotFound where there is no ledger, MachineFault, LedgerDamaged, Conflict."""
        return LedgerView(open_to_read(path), path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def job(self, name: str) -> JobRow:
        """The job of that name, or the only one whose name begins so. Raises NotFound with the near ones."""
        found = self._jobs("WHERE id = ?", (name,)) or (
            self._jobs("WHERE substr(id, 1, ?) = ? ORDER BY seq DESC LIMIT 6", (len(name), name))
            if name
            else []
        )
        if len(found) == 1:
            return found[0]
        if found:
            listed = ", ".join(row.id for row in found[:5]) + (" …" if len(found) > 5 else "")
            raise NotFound(f"several jobs begin with '{shown(name)}': {listed}; give more of the name")
        recent = [
            row["id"] for row in self._rows("SELECT id FROM job ORDER BY seq DESC LIMIT ?", (_NEAR_AMONG,))
        ]
        near = get_close_matches(name, recent, n=3, cutoff=0.6)
        hint = f"did you mean {' or '.join(near)}?" if near else "`drydown jobs` lists them"
        raise NotFound(f"there is no job '{shown(name)}'; {hint}")

    def has(self, job: str) -> bool:
        """True when exactly this job is in the ledger."""
        return bool(self._rows("SELECT 1 FROM job WHERE id = ?", (job,)))

    def jobs(
        self, states: Iterable[str] | None = None, *, hot_folder: str | None = None, limit: int | None = None
    ) -> list[JobRow]:
        """Jobs, newest first. `states`: RFC 8011's words (KeyError for another); None is every state."""
        stages = tuple(Stage) if states is None else stages_of(states)
        where, values = _among(stages)
        more: tuple[Value, ...] = values
        if hot_folder is not None:
            where, more = f"{where} AND hot_folder = ?", (*values, hot_folder)
        return self._jobs(f"WHERE {where} ORDER BY seq DESC LIMIT ?", (*more, -1 if limit is None else limit))

    def in_stage(self, *stages: Stage, limit: int | None = None) -> list[JobRow]:
        """Jobs in any of these stages, oldest first."""
        where, values = _among(stages)
        return self._jobs(f"WHERE {where} ORDER BY seq LIMIT ?", (*values, -1 if limit is None else limit))

    def live(self) -> list[JobRow]:
        """Jobs to which something can still happen, oldest first."""
        return self.in_stage(*(stage for stage in Stage if stage not in FINAL))

    def ready(self, now: float, *, limit: int | None = None) -> list[JobRow]:
        """Jobs whose next attempt may start, in the order in which they became so: a retry goes behind what waits already.

        A job that is put off further than any pause lasts is ready too: the clock was set back.
        """
        where, values = _among(WAITING)
        due = "(not_before <= ? OR not_before > ?)"
        rest = f"WHERE {where} AND {due} ORDER BY max(created, not_before), seq LIMIT ?"
        return self._jobs(rest, (*values, now, now + LONGEST_PAUSE_S, -1 if limit is None else limit))

    def next_due(self, now: float) -> float | None:
        """The earliest time to come that a waiting job was put off to; None when there is none. What is due already waits for room, not for the clock."""
        where, values = _among(WAITING)
        query = f"SELECT min(not_before) FROM job WHERE {where} AND not_before > ?"  # noqa: S608
        return self._one(query, (*values, now))

    def done_before(self, before: float, *, after: int = 0, limit: int | None = None) -> list[JobRow]:
        """Done jobs to which nothing has happened since `before`, oldest first, from the row behind number `after` on.

        Only those in front of the first that was claimed later than that: one behind it that says it is older was claimed while the clock was slow.
        """
        first_young = "(SELECT ifnull(min(seq), 9e18) FROM job WHERE created >= ?)"
        rest = f"WHERE stage = ? AND updated < ? AND seq > ? AND seq < {first_young} ORDER BY seq LIMIT ?"
        return self._jobs(rest, (Stage.DONE, before, after, before, -1 if limit is None else limit))

    def sheets_out(self, *, collected: bool, limit: int | None = None) -> list[JobRow]:
        """Done jobs whose sheet was seen to be taken away, or was not, newest first."""
        where = "stage = ? AND (collected > 0) = ? AND sheet_name <> ''"
        rest = f"WHERE {where} ORDER BY seq DESC LIMIT ?"
        return self._jobs(rest, (Stage.DONE, collected, -1 if limit is None else limit))

    def same_print(self, identity: bytes, beside: JobRow, *, since: float) -> JobRow | None:
        """The first other job, claimed at `since` or later, whose sheet of the same print went out, or is ready and came before this one.

        A cancelled job counts where its sheet may have gone out: cancelling is then how a person says that it did.
        """
        out, is_out = _among((Stage.PUBLISHING, Stage.PUBLISHED, Stage.DONE))
        ready, is_ready = _among((Stage.STAGED, Stage.HELD))
        rest = (
            f"WHERE identity = ? AND created >= ? AND seq <> ? AND "
            f"({out} OR (stage = ? AND boot_id <> '') OR ({ready} AND seq < ?)) ORDER BY created, seq LIMIT 1"
        )
        values: tuple[Value, ...] = (
            identity,
            since,
            beside.seq,
            *is_out,
            Stage.CANCELLED,
            *is_ready,
            beside.seq,
        )
        return next(iter(self._jobs(rest, values)), None)

    def was_approved(self, job: str) -> bool:
        """True when a person has let this job through before, whatever happened to its sheet since."""
        query = "SELECT 1 FROM event WHERE job = ? AND event = ? LIMIT 1"
        return bool(self._rows(query, (job, VERBS["approve"].event)))

    def count(self, *stages: Stage) -> int:
        """How many jobs are in any of these stages; cheap, however many have ended."""
        where, values = _among(stages)
        return int(self._one(f"SELECT count(*) FROM job WHERE {where}", values) or 0)  # noqa: S608

    def events(self, job: str) -> list[EventRow]:
        """What happened to a job, oldest first."""
        return [
            event_row(row) for row in self._rows("SELECT * FROM event WHERE job = ? ORDER BY seq", (job,))
        ]

    def verifications(self, stock: str) -> list[VerifiedRow]:
        """What verifications of a stock's profile have found, oldest first."""
        rows = self._rows("SELECT * FROM event WHERE job = ? ORDER BY seq", (of_stock(stock),))
        return [verified_row(row) for row in rows]

    def crashes_in_a_row(self, culprit: str) -> int:
        """How many of the last attempts, of any job, ended with this culprit, counted back to the first that did not."""
        marks = ", ".join("?" * len(ENDS_OF_ATTEMPTS))
        query = f"SELECT culprit FROM event WHERE event IN ({marks}) ORDER BY seq DESC LIMIT {_NEAR_AMONG}"  # noqa: S608
        ends = self._rows(query, ENDS_OF_ATTEMPTS)
        count = 0
        for end in ends:
            if end["culprit"] != culprit:
                break
            count += 1
        return count

    def fact(self, name: str) -> str:
        """A remembered word about the ledger itself; empty when there is none."""
        return str(self._one("SELECT value FROM fact WHERE name = ?", (name,)) or "")

    def _jobs(self, rest: str, values: Sequence[Value] = ()) -> list[JobRow]:
        try:
            found = self._rows(f"SELECT * FROM job {rest}", values)  # noqa: S608 - `rest` is ours
            return [job_row(row, self._models.unpack) for row in found]
        except (ValueError, TypeError) as error:
            raise LedgerDamaged(f"the ledger {self.path} is damaged ({error})") from error

    def _one(self, query: str, values: Sequence[Value] = ()) -> float | None:
        rows = self._rows(query, values)
        return rows[0][0] if rows else None

    def _rows(self, query: str, values: Sequence[Value] = ()) -> list[sqlite3.Row]:
        try:
            return self._connection.execute(query, values).fetchall()
        except sqlite3.ProgrammingError:  # closed, or the wrong thread: a defect, not the file's
            raise
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise sorted_error(error, self.path) from error


def _among(stages: Sequence[Stage]) -> tuple[str, tuple[Stage, ...]]:
    return f"stage IN ({', '.join('?' * len(stages))})", tuple(stages)
