"""A studio of files and no pixels: pictures are a few bytes, sheets are those bytes and a word, and the rest is the real thing.

A `World` claims pictures as intake does (a folder of its own, a note, one rename), runs attempts that write files, and hands what they
answer to the desk. `Printer` is whoever collects the sheets: it takes each away at once and keeps a book of its own.
"""

from __future__ import annotations

import json
import os
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from blake3 import blake3

from drydown.api import EdgesMm, SizeMm
from drydown.jobs.desk import Desk
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import Arrival, JobRow, Ledger
from drydown.jobs.names import CLAIM_NOTE
from drydown.jobs.places import Places, has_marker
from drydown.jobs.recovery import Adoptable, Recovered, recover
from drydown.jobs.spec import AttemptResult, JobSpec, Output, PluginRef, SheetSpec, StepSpec, StockSpec
from drydown.jobs.states import FINAL, WAITING, Stage
from drydown.showing import shown

BOOT = "boot-1"


class Clock:
    """Wall clock that moves when told."""

    def __init__(self, now: float = 1_800_000_000.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


def local(_: Path) -> str:
    """Every folder lies on a disk of this machine."""
    return "local"


def is_open(path: Path) -> bool:
    """Whether this process holds the file open."""
    known = path.stat()
    for fd in range(256):
        try:
            found = os.fstat(fd)
        except OSError:
            continue
        if os.path.samestat(known, found):
            return True
    return False


def a_spec(job: str, *, prints: Path, source: Path, approve: bool = False, stem: str = "picture") -> JobSpec:
    """A plan with everything that a plan must have."""
    plugin = PluginRef(module="drydown_steps.final", offered_by="drydown 0.1.0", blake3="0" * 64)
    letter = SheetSpec(name="letter", size=SizeMm(215.9, 279.4), pwg="na_letter_8.5x11in")
    return JobSpec(
        job=job,
        hot_folder="final",
        prints=prints,
        source=source,
        source_name=shown(source.name),
        stem=stem,
        recipe="shoreline",
        steps=(StepSpec(name="crop", use="crop", settings={}, plugin=plugin),),
        maker=StepSpec(name="final", use="final", settings={}, plugin=plugin),
        stock=StockSpec(
            name="pearl",
            profile=Path("pearl.icc"),
            profile_blake3="0" * 64,
            ppi=360,
            intent="relative",
            black_point_compensation=True,
        ),
        sheet=letter,
        final_sheet=letter,
        margins_mm=EdgesMm(),
        viewing_mm=400,
        approve=approve,
        made="2026-11-25T10:00:00+01:00",
    )


def an_attempt(spec: JobSpec, number: int, work: Path) -> tuple[AttemptResult, Path]:
    """What a child leaves: the four files, synced, and a result that names them."""
    folder = work / spec.job / str(number)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    picture = spec.source.read_bytes()
    files = {
        "sheet": ("sheet.tif", b"sheet of " + picture),
        "preview": ("preview.jpg", b"preview of " + picture),
        "ticket": ("ticket.txt", b"media type: NOT STATED\n"),
        "ticket_json": ("ticket.json", b"{}"),
    }
    outputs = []
    for kind, (name, data) in files.items():
        (folder / name).write_bytes(data)
        said = {"kind": kind, "path": name, "bytes": len(data), "blake3": blake3(data).hexdigest()}
        outputs.append(Output.model_validate(said))
    result = AttemptResult(
        job=spec.job,
        attempt=number,
        outcome="done",
        outputs=tuple(outputs),
        seconds={"render and write": 1.5, "preview": 0.25},
        source_blake3=blake3(picture).hexdigest(),
    )
    return result, folder


def answered(
    job: str, number: int, outcome: str, reason: str = "Because.", culprit: str = ""
) -> AttemptResult:
    """An answer without a sheet."""
    data = {"job": job, "attempt": number, "outcome": outcome, "reason": reason, "culprit": culprit}
    return AttemptResult.model_validate(data)


@dataclass
class Printer:
    """Takes every sheet away as soon as it sees it. Its book lies outside the studio and survives whatever ends the program."""

    prints: Path
    book: Path

    def look(self) -> None:
        """Collect what is there."""
        try:
            with os.scandir(
                self.prints
            ) as entries:  # somebody looks at every step: no paths are made for nothing
                names = [entry.name for entry in entries if entry.name.endswith(".tif")]
        except FileNotFoundError:
            return
        for sheet in (self.prints / name for name in names if "__" in name):
            with self.book.open("ab", buffering=0) as book:
                book.write(sheet.read_bytes() + b"\n")
            sheet.unlink()

    def printed(self) -> Counter[bytes]:
        """How often each sheet was printed."""
        return Counter(self.book.read_bytes().splitlines()) if self.book.exists() else Counter()


class _Log(JobLog):
    """Lets go of its file with the last who knows of it: a thousand worlds would keep a thousand files open."""

    def __del__(self) -> None:
        self.close()


@dataclass
class World:
    """A studio below `root`, with one hot folder `final`."""

    root: Path
    clock: Clock = field(default_factory=Clock)
    boot: str = BOOT
    approve: bool = False
    attempt: Callable[[JobSpec, int, Path], tuple[AttemptResult, Path]] = an_attempt

    def __post_init__(self) -> None:
        self.places = Places(self.root)
        self.hot = self.root / "hot" / "final"
        self.taken = self.hot / ".taken"
        self.prints = self.root / "prints" / "final"
        self.taken.mkdir(parents=True, exist_ok=True)

    @property
    def log(self) -> JobLog:
        return _Log(self.places.log, clock=self.clock)

    def drop_and_claim(self, job: str, name: str = "IMG_0042.jpg", data: bytes | None = None) -> Path:
        """A picture that lies claimed: the ledger does not know of it yet."""
        folder = self.taken / job
        folder.mkdir()
        (folder / CLAIM_NOTE).write_text(json.dumps({"note": 1, "job": job}))
        (self.hot / name).write_bytes(job.encode() if data is None else data)
        (self.hot / name).rename(folder / name)
        return folder

    def adoptables(self) -> list[Adoptable]:
        """Claimed folders with a picture in them; those without are removed, as intake does it."""
        found = []
        for folder in sorted(self.taken.iterdir()):
            names = sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))
            pictures = [name for name in names if not name.endswith(".toml")]
            if not pictures:
                shutil.rmtree(folder)
                continue
            dropped = self.hot / pictures[0]
            found.append(
                Adoptable(
                    job=folder.name, path=folder, hot_folder="final", original=pictures[0], dropped=dropped
                )
            )
        return found

    def recover(self) -> tuple[Desk, Recovered]:
        """A start of the program."""
        return recover(
            self.places,
            self.adoptables(),
            prints=(self.prints,),
            boot=self.boot,
            kind_of=local,
            log=self.log,
            clock=self.clock,
        )

    def open(self) -> Desk:
        """A start of which only the desk matters."""
        return self.recover()[0]

    def arrive(self, desk: Desk, job: str, name: str = "IMG_0042.jpg", data: bytes | None = None) -> JobRow:
        """Claim a picture and enter it, with its plan."""
        folder = self.drop_and_claim(job, name, data)
        desk.publisher.ledger.arrive(
            Arrival(job=job, hot_folder="final", taken=folder, original=name, dropped=self.hot / name)
        )
        return desk.publisher.ledger.plan(job, self.spec(folder / name, job))

    def spec(self, source: Path, job: str) -> JobSpec:
        """The plan for a picture."""
        return a_spec(job, prints=self.prints, source=source, approve=self.approve)

    def run(self, desk: Desk, *, rounds: int = 50) -> None:
        """Work until nothing is left that can be done without a person."""
        ledger = desk.publisher.ledger
        for _ in range(rounds):
            desk.catch_up()
            for row in ledger.in_stage(Stage.STAGED, Stage.PUBLISHING, Stage.PUBLISHED):
                desk.go_on(row.id)
            ready = ledger.ready(self.clock())
            for row in ready:
                assert row.original_path is not None
                if not row.spec_json:
                    row = ledger.plan(row.id, self.spec(row.original_path, row.id))
                assert row.spec is not None
                number = ledger.start(row.id)
                result, folder = self.attempt(row.spec, number, self.places.work)
                desk.conclude(row.id, result, folder)
            if not ready and not desk.behind and not ledger.in_stage(*WAITING):
                return
            self.clock.now += 1000.0
        raise AssertionError("the work does not come to an end")

    def originals(self) -> list[Path]:
        """Every picture that lies in the studio, in the queue or put away; their settings and notes are left out."""
        kept = [path for kind in ("done", "refused") for path in _files(self.places.originals(kind))]
        claimed = [path for folder in self.taken.iterdir() for path in _files(folder)]
        notes = (".txt", ".json", ".toml")
        return [path for path in kept + claimed if not path.name.startswith(".") and path.suffix not in notes]

    def prints_marked(self) -> bool:
        """True once the folder of sheets was set up."""
        return has_marker(self.prints)


def _files(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def stages(ledger: Ledger) -> dict[str, Stage]:
    """job -> stage."""
    return {row.id: row.stage for row in ledger.jobs()}


def all_final_or_held(ledger: Ledger) -> bool:
    """True when nothing moves any more."""
    return all(row.stage in (*FINAL, Stage.HELD) for row in ledger.jobs())
