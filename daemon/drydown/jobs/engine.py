"""From waiting jobs to attempts and back: ready jobs go to the executor, what they answer goes to the desk.

One thread calls it; rendering happens in the executor's threads. Knows no hot folder, no watcher and no command line.
"""

from __future__ import annotations

import functools
import queue
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future

from drydown.errors import is_machines
from drydown.jobs.attempts import Attempts
from drydown.jobs.desk import Desk
from drydown.jobs.fitness import Fitness
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.space import bound_bytes
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import Question, Stage

UNFIT_A_TURN = 32  #: jobs looked at beyond the room there is, so that those of a closed folder do not hide those of an open one


class Engine:
    """Starts attempts, at most `at_once` at a time, and hands their results to the desk. `wake` is called from other threads."""

    def __init__(
        self,
        desk: Desk,
        attempts: Attempts,
        executor: Executor,
        fitness: Fitness,
        *,
        at_once: int,
        wake: Callable[[], None],
    ) -> None:
        self.at_once = at_once
        self.only: frozenset[str] | None = None  #: jobs that may start; None for all
        self._desk, self._attempts, self._executor, self._wake = desk, attempts, executor, wake
        self.fitness = fitness
        self._running: dict[str, int] = {}  # job -> bytes that its attempt may still need
        self._ended: queue.SimpleQueue[AttemptResult] = queue.SimpleQueue()

    @property
    def running(self) -> frozenset[str]:
        """Jobs whose attempt runs now."""
        return frozenset(self._running)

    def room(self) -> int:
        """How many more attempts may run at once."""
        return max(0, self.at_once - len(self._running))

    def start_ready(self) -> list[JobRow]:
        """Start attempts for jobs whose time has come, oldest first; pause those for which the machine is not fit.

        The ledger knows of each attempt before it starts. While the studio's own folder is in trouble nothing starts at all.
        """
        ledger = self._desk.publisher.ledger
        started: list[JobRow] = self._desk.unpause() if self.fitness.look() else []
        if not self.room() or self.fitness.stopped:
            return started
        limit = self.room() + (UNFIT_A_TURN if self.fitness.troubles else 0)
        for row in ledger.ready(self._desk.publisher.clock(), limit=None if self.only else limit):
            if not self.room():
                break
            if self.only is not None and row.id not in self.only:
                continue
            if row.id in self._running:
                continue
            spec = self._plan_of(row)
            if not isinstance(spec, JobSpec):
                started.append(spec)
                continue
            if why := self.fitness.why_not(spec, promised_bytes=sum(self._running.values())):
                started.append(self._desk.pause(row.id, why))
                if self.fitness.stopped:
                    break
                continue
            number = ledger.start(row.id)
            self._running[row.id] = bound_bytes(spec)
            self._desk.log.write(
                "processing", row.id, attempt=number, source=row.source_name, recipe=spec.recipe
            )
            future = self._executor.submit(self._attempts, spec, number)
            future.add_done_callback(functools.partial(self._put, spec, number))
            started.append(ledger.job(row.id))
        return started

    def settle(self, *, go_on: bool = True) -> list[JobRow]:
        """Conclude every attempt that has ended, and try again what the folders could not follow. Answers the jobs as they now are.

        With `go_on` the next attempts start first: putting a sheet in its place waits for the disk, and nobody should wait with it.
        """
        results = list(self._answers())
        for result in results:
            self._running.pop(result.job, None)
        settled = self.start_ready() if go_on else []
        for result in results:
            folder = self._attempts.folder(result.job, result.attempt)
            row = self._desk.conclude(result.job, result, folder)
            if row.stage is Stage.PAUSED and (spec := row.spec) is not None:
                self.fitness.suspect(spec)
            settled.append(row)
        return settled + self._desk.catch_up()

    def next_due_s(self) -> float | None:
        """Seconds until a job that was put off may start; None when none was. Those that wait for room start when an attempt ends, which wakes."""
        now = self._desk.publisher.clock()
        due = self._desk.publisher.ledger.next_due(now)
        return None if due is None else due - now

    def cancel(self, name: str) -> JobRow:
        """Stop a job for good; its attempt, if one runs, is ended and answers too late. Raises NotFound, Conflict."""
        cancelled = self._desk.cancel(name)
        self._attempts.cancel(cancelled.id)
        return cancelled

    def _plan_of(self, row: JobRow) -> JobSpec | JobRow:
        """The plan to work by; or the job, held where it has none or its original is plainly gone, paused where nobody can tell."""
        if not row.spec_json:  # claimed just before an end, in a folder that was away at the start
            return self._desk.pause(row.id, "It is planned as soon as its hot folder has been looked into.")
        try:
            spec = row.spec
        except ValueError:
            spec = None
        if spec is None:
            reason = "The job has no plan that this program can read; retry it."
            return self._desk.hold(row.id, Question.RECIPE, reason)
        try:
            spec.source.stat()
        except OSError as error:
            return self._without_original(row, spec, error)
        return spec

    def _without_original(self, row: JobRow, spec: JobSpec, error: OSError) -> JobRow:
        said = (error.strerror or str(error)).lower()
        if why := self.fitness.suspect_original(spec.source):  # an absent share proves nothing
            return self._desk.pause(row.id, why)
        if is_machines(error):
            why = f"The original cannot be read ({said}); mend that, and the job goes on by itself."
            return self._desk.pause(row.id, why)
        gone = isinstance(error, FileNotFoundError | NotADirectoryError)
        what = "is gone from its folder; put it back" if gone else f"cannot be read ({said}); mend that"
        return self._desk.hold(row.id, Question.ORIGINAL, f"The original {what}, or cancel the job.")

    def _put(self, spec: JobSpec, number: int, future: Future[AttemptResult]) -> None:
        if future.cancelled():
            return  # the daemon ends: the attempt was never begun, and the next start finds its job
        error = future.exception()
        if error is None:
            result = future.result()
        else:
            reason = f"{type(error).__name__}: {error}"
            data = {"job": spec.job, "attempt": number, "outcome": "machine", "reason": reason}
            result = AttemptResult.model_validate(data)
        self._ended.put(result)
        self._wake()

    def _answers(self) -> Iterator[AttemptResult]:
        while True:
            try:
                yield self._ended.get_nowait()
            except queue.Empty:
                return
