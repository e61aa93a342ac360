"""Jobs with bad plugins: each ends as documented, its original is kept, nothing else is touched, and the next good job makes the very same sheet.

The attempts are the daemon's own children; what follows from them is the daemon's own desk, on a clock that is moved on instead of waited for.
"""

from __future__ import annotations

import contextlib
import random
import sys
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from drydown.jobs.hashing import file_hash
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.jobs.states import Stage
from tests.e2e.studio import STUDIO, picture
from tests.jobs.jobs_kit import World
from tests.torture.attempts_kit import Bench, Tree, bench, changes, tree
from tests.torture.bad_plugins_kit import BAD, GOLDEN, LEFT, Bad
from tests.torture.row import Outcome, Row, tell

#: Folders of the studio in which a job changes things by right.
_MOVING = ("state", "originals", "prints", "hot")


@dataclass
class Trial:
    """A studio with every bad plugin in it, and what has come of them."""

    at: Bench
    canary: Path
    source: bytes
    patient: bool  #: a job that fails is really tried three times
    golden: str = ""
    wrong: list[str] = field(default_factory=list)
    jobs: int = 0
    left: int = 0  #: processes that a plugin left behind; ended here
    _before: set[Path] = field(default_factory=set)
    _bad: dict[str, Bad] = field(default_factory=dict)
    _first: dict[str, AttemptResult] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.world = World(self.at.root, attempt=self._attempt)
        self.world.spec = self._spec  # type: ignore[method-assign]
        self.desk = self.world.open()

    def good(self) -> None:
        """A job of the golden recipe, whose sheet must equal the first one, byte for byte."""
        path = self.at.root.parent / f"good-{self.jobs}.jpg"
        path.write_bytes(self.source)
        spec = self.at.spec(path, "golden")
        result = self.at.attempts(spec, 1)
        sheet = self.at.folder(spec) / "sheet.tif"
        seen = file_hash(sheet) if result.outcome == "done" else f"{result.outcome}: {result.reason}"
        self.golden = self.golden or seen
        if seen != self.golden or result.outcome != "done":
            self.wrong.append(f"a good job after {self.jobs} bad ones: {seen}")
        self.at.clear(spec)
        path.unlink()

    def bad(self, plugin: Bad) -> None:
        """A job with this plugin, from the drop to its end."""
        self.jobs += 1
        job = f"b{self.jobs:07}"
        self._bad[job] = plugin
        before, self._before = self._seen(), self._where_it_may()
        row = self.world.arrive(self.desk, job, f"{job}.jpg", self.source)
        self.world.run(self.desk)
        self.wrong += [f"{plugin.name}: {fault}" for fault in self._faults(plugin, row.id)]
        self.wrong += [f"{plugin.name} changed {path}" for path in changes(before, self._seen())]
        self._end_left()

    def _spec(self, source: Path, job: str) -> JobSpec:
        plugin = self._bad[job]
        limits = {"deadline_s": plugin.deadline_s, "memory_mb": plugin.memory_mb}
        own = {"job": job, "hot_folder": "final", "prints": self.world.prints}
        return self.at.spec(source, plugin.step).model_copy(update=own | limits)

    def _attempt(self, spec: JobSpec, number: int, _work: Path) -> tuple[AttemptResult, Path]:
        """The daemon's own attempt. The second and the third of a job answer like the first unless there is patience for them."""
        folder = self.at.attempts.folder(spec.job, number)
        if self.patient or spec.job not in self._first:
            self._first[spec.job] = self.at.attempts(spec, number)
        return self._first[spec.job].model_copy(update={"attempt": number}), folder

    def _faults(self, plugin: Bad, job: str) -> Iterator[str]:
        row = self.desk.publisher.ledger.job(job)
        ends = {"aborted": (Stage.FAILED,), "completed": (Stage.DONE,)}
        stopped = (
            row.stage is Stage.HELD and "times in a row" in row.reason
        )  # the breaker, after five of one plugin
        if not stopped and row.stage not in ends.get(plugin.end, (Stage.FAILED, Stage.DONE)):
            yield f"ended {row.stage}: {row.reason[:300]}"
        if row.stage is not Stage.DONE and plugin.says not in row.reason:
            yield f"says {row.reason[:300]!r}, without {plugin.says!r}"
        if len(row.reason) > 2000:
            yield f"a reason of {len(row.reason):,} letters"
        if row.stage is Stage.DONE and plugin.golden:
            sheet = self.world.prints / row.sheet_name
            if file_hash(sheet) != self.golden:
                yield "its sheet is another"
        own = Path(row.sheet_name).stem if row.stage is Stage.DONE else ""
        for path in sorted(self._where_it_may() - self._before):
            if not (own and path.name.startswith(own)):
                yield f"left {path}"
        kept = [path for path in self.world.originals() if job in path.name]
        if [path.read_bytes() for path in kept] != [self.source]:
            yield f"its original is not kept: {[path.name for path in kept]}"

    def _where_it_may(self) -> set[Path]:
        """What lies in the print folder, the hot folder and the daemon's own, where a job changes things by right; but for the
        ledger's own passing files and the mark of a print folder."""
        roots = (self.world.prints, *(self.at.root / name for name in ("prints", "hot", "state")))
        found = {path for root in roots for path in root.rglob("*") if not path.is_dir()}
        ours = (".drydown-prints", "ledger.db-")
        return {
            path
            for path in found
            if not path.name.startswith(ours) and not path.is_relative_to(self.at.house.places.work)
        }

    def _seen(self) -> Tree:
        """All that a plugin has no business with: the canary, and the studio but for what a job changes by right."""
        everything = tree(self.at.root, self.canary, but=self.at.house.places.work)
        moving = tuple(str(self.at.root / name) for name in _MOVING)
        return {path: seen for path, seen in everything.items() if not path.startswith(moving)}

    def _end_left(self) -> None:
        """End what a plugin has started and left: the children's own copies, and the grandchildren by their command line."""
        work = str(self.at.house.places.work)
        for process in psutil.process_iter(["cmdline", "cwd"]):
            command, folder = process.info["cmdline"] or (), process.info["cwd"] or ""
            if LEFT in command or folder.startswith(f"{work}/b"):
                self.left += 1
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.kill()


@contextmanager
def trial(plugins: Iterable[Bad], *, patient: bool) -> Iterator[Trial]:
    """A studio of these plugins, each in a file of its own with a recipe of its own."""
    with tempfile.TemporaryDirectory(prefix="bad-plugins-") as folder:
        base = Path(folder)
        canary = base / "canary"
        canary.mkdir()
        (canary / "bird.txt").write_text("It sings.\n")
        files = {
            "studio.toml": STUDIO.replace("deadline_s = 60", "deadline_s = 60\nmax_pixels = 1_000_000"),
            "recipes/golden.toml": GOLDEN.recipe(),
        }
        for bad in plugins:
            files[f"plugins/{bad.step.replace('-', '_')}.py"] = bad.source().replace(
                "CANARY", repr(str(canary))
            )
            files[f"recipes/{bad.step}.toml"] = bad.recipe()
        source = picture(base / "source.jpg", width=240, height=160).read_bytes()
        with bench(base / "studio", files) as at:
            made = Trial(at, canary, source, patient)
            try:
                made.good()
                yield made
            finally:
                made.desk.publisher.ledger.close()


def walls() -> bool:
    """Whether a child is confined on this machine: one that writes elsewhere is stopped."""
    probe = next(bad for bad in BAD if bad.name == "elsewhere")
    with trial([probe], patient=False) as tried:
        tried.bad(probe)
        return not any("changed" in line for line in tried.wrong)


def _run(seed: int, count: int | None) -> Outcome:
    """Every plugin once, or `count` jobs of which one in four is bad, at random."""
    confined = walls()
    plugins = [bad for bad in BAD if confined or not bad.needs_walls]
    rng = random.Random(seed)
    with trial(plugins, patient=count is not None) as tried:
        good: list[Future[None]] = []
        with ThreadPoolExecutor(1) as beside:
            if count is None:
                for bad in plugins:
                    tried.bad(bad)
                    good.append(beside.submit(tried.good))
            else:
                for number in range(count):
                    if rng.random() < 0.25:
                        tried.bad(rng.choice(plugins))
                    else:
                        good.append(beside.submit(tried.good))
                        good[-1].result()
                    if number % 50 == 49:
                        print(number + 1, len(tried.wrong), "wrong", file=sys.stderr, flush=True)
        for one in good:
            one.result()
    tell(tried.wrong)
    return Outcome(not tried.wrong, _figures(tried, len(plugins), len(good), confined))


def _figures(tried: Trial, kinds: int, good: int, confined: bool) -> str:
    out = (
        ""
        if confined
        else f", {sum(bad.needs_walls for bad in BAD)} left out because children are not confined here"
    )
    return (
        f"{tried.jobs} jobs with {kinds} bad plugins{out}; "
        f"{good} good jobs between, all equal to the golden sheet; {tried.left} processes left behind and ended; {len(tried.wrong)} wrong"
    )


ROW = Row(
    name="bad-plugins",
    says="plugins that leave, stay, talk, return nonsense and change things: each job ends as documented, the next sheet is golden",
    short=lambda seed: _run(seed, None),
    long=lambda seed: _run(seed, 1000),
)
