"""The ledger against a model of it: whatever is asked for in whatever order, it moves as `VERBS` says or refuses and stays as it was."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule
from jobs_kit import Clock, a_spec, answered, local
from tests.torture.quick_kit import MEMORY

from drydown.errors import Conflict
from drydown.jobs.ledger import Ledger, StagedSheet
from drydown.jobs.states import FINAL, VERBS, WAITING, Question, Stage

_LETTERS = "abcdefghijklmnopqrstuvwxyz"


class LedgerMachine(RuleBasedStateMachine):
    """Verbs on a few jobs, with the daemon started again in between; the model holds each job's stage and the names of its events."""

    jobs = Bundle("jobs")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(dir=MEMORY))
        self.clock = Clock(1000.0)
        self.stages: dict[str, Stage] = {}
        self.events: dict[str, list[str]] = {}
        self.ledger = self._opened()

    def _opened(self) -> Ledger:
        return Ledger.open(self.folder / "ledger.db", kind_of=local, clock=self.clock)

    @rule(target=jobs)
    def arrive(self) -> str:
        job = f"7f3akq2m000{_LETTERS[len(self.stages) % 26]}{len(self.stages)}"
        taken = self.folder / ".taken" / job
        self.ledger.add(a_spec(job, prints=self.folder, source=taken / "a.jpg"), taken)
        self.stages[job], self.events[job] = Stage.CLAIMED, ["claimed"]
        return job

    @rule(job=jobs, verb=st.sampled_from(sorted(VERBS)))
    def ask(self, job: str, verb: str) -> None:
        self.clock.now += 1
        number = self.ledger.job(job).attempt
        result = answered(job, number, "done", "")
        sheet = StagedSheet(prints=self.folder, stem="a", name=f"a__{job}.tif", blake3="ab" * 32)
        asked = {
            "start": lambda: self.ledger.start(job),
            "staged": lambda: self.ledger.staged(job, sheet, result),
            "retry": lambda: self.ledger.retry(job, not_before=0, strikes=1, reason="again"),
            "pause": lambda: self.ledger.pause(job, not_before=0, pauses=1, reason="full"),
            "hold": lambda: self.ledger.hold(job, Question.PICTURE, "look"),
            "fail": lambda: self.ledger.fail(job, "damaged"),
            "cancel": lambda: self.ledger.cancel(job),
            "interrupted": lambda: self.ledger.interrupted(job),
            "restage": lambda: self.ledger.restage(job),
            "release": lambda: self.ledger.release(job),
            "approve": lambda: self.ledger.approve(job),
            "publishing": lambda: self.ledger.publishing(job, "boot"),
            "published": lambda: self.ledger.published(job),
            "done": lambda: self.ledger.done(job),
        }
        before = self.ledger.job(job)
        try:
            asked[verb]()
        except Conflict:
            assert self.stages[job] not in VERBS[verb].from_stages
            assert self.ledger.job(job) == before
            return
        assert self.stages[job] in VERBS[verb].from_stages
        self.stages[job] = VERBS[verb].to
        self.events[job].append(VERBS[verb].event)
        assert self.ledger.job(job).attempt == number + (verb == "start")

    @rule(job=jobs)
    def plan_anew(self, job: str) -> None:
        spec = a_spec(job, prints=self.folder / "elsewhere", source=self.folder / "b.jpg")
        try:
            self.ledger.plan(job, spec)
        except Conflict:
            assert self.stages[job] not in (*WAITING, Stage.HELD)
            return
        self.events[job].append("planned")
        assert self.ledger.job(job).spec == spec

    @rule()
    def start_again(self) -> None:
        self.ledger.close()
        self.ledger = self._opened()

    @rule(job=consumes(jobs))
    def arrive_twice(self, job: str) -> None:
        try:
            self.ledger.add(a_spec(job, prints=self.folder, source=self.folder / "a.jpg"), self.folder)
        except Conflict:
            return
        raise AssertionError(f"{job} was taken twice")

    @invariant()
    def it_says_what_happened(self) -> None:
        assert {row.id: row.stage for row in self.ledger.jobs()} == self.stages
        for job, events in self.events.items():
            assert [event.event for event in self.ledger.events(job)] == events
        assert {row.id for row in self.ledger.live()} == {
            job for job, stage in self.stages.items() if stage not in FINAL
        }

    def teardown(self) -> None:
        self.ledger.close()
        shutil.rmtree(self.folder)


TestLedger = LedgerMachine.TestCase
TestLedger.settings = settings(max_examples=15, stateful_step_count=30)
