"""The whole job line on pictures of a few bytes: drop, claim, note, ledger row, attempt, conclude, stage, publish, original away, done.

Everything is the product's, wired by its own workshop; only rendering is a stand-in that writes a small sheet at once, waits are jumped over, and
the studio's files are read once for a thousand runs. `Line` is one studio; `Line.once` a whole run of the program in it.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from drydown import durable
from drydown.imaging.working import srgb
from drydown.intake.claim import claim
from drydown.intake.found import IntakeTimes
from drydown.intake.rescan import Scanner
from drydown.jobs.fitness import BALLAST
from drydown.jobs.ledger import LedgerView
from drydown.jobs.names import job_of_stage_name
from drydown.jobs.places import Places
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import WAITING, Question, Stage
from drydown.service import workshop
from drydown.service.house import House, open_house
from drydown.service.workshop import Workshop
from tests.jobs.jobs_kit import Printer, an_attempt, answered
from tests.small_studio import hot_folder, lay_out

#: What changes a folder, as the interpreter announces it (`sys.addaudithook`): ends of the program between steps that no seam announces.
_CHANGES = frozenset(
    {"os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.chmod", "os.truncate", "os.link", "os.symlink"}
)
#: Changes that the interpreter does not announce.
_ANNOUNCED_ONLY = frozenset({"rename", "write", "commit"})
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT

Attempt = Callable[[JobSpec, int, Path], tuple[AttemptResult, Path]]

#: where a picture that comes again is asked about
_ASKS = hot_folder("once").replace('repeated = "print"\n', "")


@dataclass(frozen=True)
class Scenario:
    """What is dropped where, what the attempts answer, and how it may end."""

    name: str
    hot: str = "final"
    attempt: Attempt = an_attempt
    settings: str = ""  #: of the picture's own file beside it; empty for none
    prints: int = 1  #: how often each sheet must come out
    may_be_held: bool = False  #: the end may be a question instead
    loses_ledger: bool = False  #: it is deleted before the program starts again
    first_start: bool = False  #: of a studio in which the program never ran before
    printed_before: bool = False  #: the same pictures have been printed here, and collected
    wants_another: bool = False  #: what a person answers when asked whether that is meant


def refuses(spec: JobSpec, number: int, work: Path) -> tuple[AttemptResult, Path]:
    """An attempt that finds no picture in the file."""
    return answered(spec.job, number, "refused", "Not a picture."), work / spec.job / str(number)


SCENARIOS = (
    Scenario("printed", settings="copies = 2\n", first_start=True),
    Scenario("refused", attempt=refuses, prints=0),
    Scenario("approved by a person", hot="look"),
    Scenario("ledger lost at the end", may_be_held=True, loses_ledger=True),
    Scenario("dropped again by a slip", hot="once", printed_before=True),
    Scenario("dropped again on purpose", hot="once", printed_before=True, wants_another=True, prints=2),
)


@dataclass
class Line:
    """A studio below `folder`, and whoever collects its sheets, with a book outside of it."""

    folder: Path
    pictures: tuple[str, ...] = ("a.jpg",)
    house: House = field(init=False)

    def __post_init__(self) -> None:
        self.root = self.folder / "studio"
        self._used, self._printed = (
            self.folder.with_name(f"{self.folder.name}-{what}") for what in ("used", "printed")
        )
        self.places = Places(self.root)
        self._lay_out()
        self.house = open_house(self.root)
        self.once(Scenario("a start"))
        shutil.copytree(self.folder, self._used)
        self.drop(SCENARIOS[0])
        self.once(
            SCENARIOS[0]
        )  # what is worked out once a process is worked out here, not in each of its forks
        self._keep_printed(Scenario("the first time", hot="once"))

    def lay_out(self, scenario: Scenario) -> None:
        """A new studio in the place of the old one, with the pictures dropped in it."""
        if scenario.first_start:
            self._lay_out()
        else:
            self._put_back(self._printed if scenario.printed_before else self._used)
        self.drop(scenario)

    def _put_back(self, kept: Path) -> None:
        shutil.rmtree(self.folder)
        shutil.copytree(kept, self.folder)

    def _keep_printed(self, scenario: Scenario) -> None:
        self._put_back(self._used)
        self.drop(scenario)
        self.once(scenario)
        self.look()
        shutil.copytree(self.folder, self._printed)

    def _lay_out(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        lay_out(self.root, srgb(), daemon=_ASKS)
        (self.root / "hot" / "once").mkdir()
        (
            self.places.state / BALLAST
        ).touch()  # there already: 64 megabytes in memory, a thousand times, are slow

    def drop(self, scenario: Scenario) -> None:
        """Somebody drops the pictures, each after its settings."""
        hot = self.root / "hot" / scenario.hot
        for name in self.pictures:
            if scenario.settings:
                (hot / name).with_suffix(".toml").write_text(scenario.settings)
            (self.folder / name).write_bytes(_picture(name))
            (self.folder / name).rename(hot / name)

    def look(self) -> None:
        """Whoever collects sheets takes those that are there."""
        for hot in ("final", "look", "once"):
            prints = self.root / "prints" / hot
            if prints.is_dir() and any(path.suffix == ".tif" for path in prints.iterdir()):
                Printer(prints, self.folder / "book").look()

    def once(self, scenario: Scenario) -> None:
        """One whole run of the program: start, recover, work until nothing is left to do, end. For a process of its own: it changes modules."""
        attempts = type("StandIn", (_Attempts,), {"attempt": staticmethod(scenario.attempt)})
        with (
            mock.patch.multiple(
                workshop,
                Attempts=attempts,
                ThreadPoolExecutor=_AtOnce,
                open_house=lambda root, **_: self.house,
            ),
            Workshop(self.root, what="the line", say=_nothing, wake=_nothing) as shop,
        ):
            _work(shop, scenario.wants_another)

    def lose_ledger(self) -> None:
        """Somebody deletes it, journals and all."""
        for path in self.places.state.glob("ledger.db*"):
            path.unlink()

    def complaints(self, scenario: Scenario) -> list[str]:
        """Whatever is not as promised, when the last run has come to its end. Each begins with `lost`, `twice` or `left`."""
        self.look()
        printed = Printer(self.root, self.folder / "book").printed()
        found = self._originals()
        with LedgerView.read(self.places.ledger) as ledger:
            rows = list(ledger.jobs())
        wrong = [
            f"left: job {row.id} is {row.stage}"
            for row in rows
            if not row.is_final and row.stage is not Stage.HELD
        ]
        held = {row.source_name for row in rows if row.stage is Stage.HELD and row.reason}
        refused = {row.source_name for row in rows if row.stage is Stage.FAILED and row.reason}
        for name in self.pictures:
            copies = found.count(_picture(name))
            times = sum(count for sheet, count in printed.items() if _picture(name) in sheet)
            if times > scenario.prints:
                wrong.append(f"twice: {name} was printed {times} times")
            dropped = 1 + scenario.printed_before
            if copies != dropped:
                wrong.append(f"{'lost' if copies < dropped else 'twice'}: {copies} originals of {name}")
            excused = name in refused if not scenario.prints else scenario.may_be_held and name in held
            if times < max(1, scenario.prints) and not excused:
                wrong.append(f"lost: {name} is neither printed nor held nor refused with a reason")
        return wrong + [f"left: {path.relative_to(self.root)}" for path in self._left_overs(bool(held))]

    def _originals(self) -> list[bytes]:
        folders = [
            *self.root.glob("originals/*"),
            *self.root.glob("hot/*"),
            *self.root.glob("hot/*/.taken/*/"),
        ]
        files = [path for folder in folders for path in folder.iterdir() if path.suffix == ".jpg"]
        return [path.read_bytes() for path in files]

    def _left_overs(self, held: bool) -> Iterator[Path]:
        for path in self.root.rglob("*"):
            if durable.is_unfinished(path.name) or (job_of_stage_name(path.name) and not held):
                yield path
        if not held:
            yield from self.root.glob("hot/*/.taken/*/")
            yield from self.root.glob("state/work/*")


def count_changes(*, everywhere: bool = False) -> None:
    """From now on a step is each change on the disk, announced by the seam or known to the interpreter only; for a process of its own.

    To end between two changes is to end before the later one, so what is no change is passed over; `everywhere`: it is a step too.
    """

    def hear(event: str, args: tuple[Any, ...]) -> None:
        is_change = event in _CHANGES or (event == "open" and isinstance(args[2], int) and args[2] & _WRITING)
        if is_change:
            tell(event)

    def announced(name: str) -> None:
        if everywhere or name in _ANNOUNCED_ONLY:
            tell(name)

    def tell(name: str) -> None:
        if _noticed:
            with _unnoticed():
                listener(name)

    listener = durable.on_step
    durable.on_step = announced
    sys.addaudithook(hear)


_noticed = True


@contextmanager
def _unnoticed() -> Iterator[None]:
    """What somebody else does is no step of the program."""
    global _noticed
    before, _noticed = _noticed, False
    try:
        yield
    finally:
        _noticed = before


def _work(shop: Workshop, wants_another: bool) -> None:
    """The daemon's turns without its waits, and a person who approves whatever asks for it, and says what a repeat was meant for."""
    engine, ledger = shop.engine, shop.desk.publisher.ledger
    scanner, now = Scanner(shop.folders, IntakeTimes()), 0.0
    for _ in range(50):
        settled = engine.settle()
        found = scanner.scan(now, everything=True)
        for ready in found.ready:
            claimed = claim(ready, shop.reception.new_job(), time.time())
            if claimed is not None:
                shop.reception.take(claimed)
        engine.start_ready()
        held = ledger.in_stage(Stage.HELD)
        asking = [row for row in held if row.question in (Question.APPROVE, Question.REPEATED)]
        for row in asking:
            answer = wants_another or row.question is Question.APPROVE
            (shop.desk.approve if answer else shop.desk.cancel)(row.id)
        now += 10.0
        if not (settled or found.ready or found.waiting or asking or engine.running or _waiting(shop)):
            return
    raise AssertionError("the work does not come to an end")


def _waiting(shop: Workshop) -> bool:
    return bool(shop.desk.behind or shop.desk.publisher.ledger.in_stage(*WAITING))


def _nothing(*_: object) -> None:
    """Nobody listens, nobody waits."""


def _picture(name: str) -> bytes:
    """Bytes that begin and end as a JPEG does, so that the intake takes them for whole."""
    return b"\xff\xd8" + name.encode() + b"\xff\xd9"


class _Attempts:
    """The stand-in for rendering: what `drydown.jobs.attempts.Attempts` offers, without a process."""

    attempt: Attempt

    def __init__(self, starter: object, work: Path) -> None:
        self._work = work

    def folder(self, job: str, number: int) -> Path:
        return self._work / job / str(number)

    def cancel(self, job: str) -> bool:
        return False

    def __call__(self, spec: JobSpec, number: int) -> AttemptResult:
        with (
            _unnoticed()
        ):  # a child's own steps are its own: the line only sees a folder that is there, or not
            return type(self).attempt(spec, number, self._work)[0]


class _AtOnce:
    """An executor whose work is done when `submit` returns."""

    def __init__(self, *_: object, **__: object) -> None:
        pass

    def submit(self, work: Callable[..., Any], *args: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(work(*args))
        except BaseException as error:
            future.set_exception(error)
        return future

    def shutdown(self, **_: object) -> None:
        pass
