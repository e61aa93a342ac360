"""What one attempt does, inside its own process: read, run the chain, write the sheet, look at what was written, answer.

Writes only below its attempt folder and prints nothing: the answer is `result.json`, and only a complete one counts.
"""

from __future__ import annotations

import os
import resource
import time
import traceback
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from drydown.api import Finished, Job, Note, Refusal, SheetOffer
from drydown.errors import MachineFault, StepCrashed
from drydown.jobs.chain import Access, Chain, with_settings
from drydown.jobs.faults import Cause, in_a_child, sort_fault
from drydown.jobs.hashing import file_hash
from drydown.jobs.limits import spare_files
from drydown.jobs.seeing import look, write_page
from drydown.jobs.space import shortage
from drydown.jobs.spec import AttemptResult, JobSpec, Output
from drydown.jobs.unpack import job_of, links_of, opener_of

T = TypeVar("T")
RESULT = "result.json"
#: what lies beside the sheet in an attempt's folder, by kind
BESIDE = {"preview": "preview.jpg", "ticket": "ticket.txt", "ticket_json": "ticket.json"}
PAGE = "page.html"


@dataclass
class Clock:
    """Where the time of an attempt went, phase by phase."""

    now: Callable[[], float] = time.perf_counter
    seconds: dict[str, float] = field(default_factory=dict)

    def timed(self, phase: str, work: Callable[[], T]) -> T:
        start = self.now()
        try:
            return work()
        finally:
            self.seconds[phase] = round(self.seconds.get(phase, 0.0) + self.now() - start, 4)


def attempt(spec: JobSpec, number: int, folder: Path) -> AttemptResult:
    """Make the sheet of `spec` in `folder`. Never raises for a picture's or a plugin's fault: the result says it."""
    answer: dict[str, Any] = {"outcome": "done"}
    with ThreadPoolExecutor(3, thread_name_prefix="beside") as beside:
        work = _Work(spec, folder, beside)
        source_hash = beside.submit(file_hash, spec.source)
        try:
            looks = _looks(spec)
            outputs, record = _make(work)
            answer |= {
                "outputs": outputs,
                "record": {**work.facts, **record},
                "source_blake3": source_hash.result(),
            }
            if _looks(spec) != looks:
                raise MachineFault("the picture was written to while it was printed; it is printed anew")
        except Exception as error:
            spare_files()
            cause = _cause(work, error, source_hash)
            answer = {
                "outcome": cause.outcome,
                "reason": cause.reason,
                "culprit": cause.culprit,
                "record": work.facts,
            }
            if cause.outcome == "crashed":
                (folder / "traceback.txt").write_text(
                    traceback.format_exc(), encoding="utf-8", errors="backslashreplace"
                )
    said = {
        "job": spec.job,
        "attempt": number,
        "notes": [asdict(note) for note in work.notes],
        "seconds": work.clock.seconds,
        "peak_mb": peak_mb(),
    }
    return AttemptResult.model_validate(answer | said)


def _looks(spec: JobSpec) -> list[tuple[int, ...]]:
    """What tells of each picture that somebody has written to it: whoever held it open before the claim still can."""
    found = [path.stat() for path in (spec.source, *(other.source for other in spec.companions))]
    return [(one.st_dev, one.st_ino, one.st_size, one.st_mtime_ns, one.st_ctime_ns) for one in found]


def _cause(work: _Work, error: Exception, source_hash: Future[str]) -> Cause:
    """What ended the attempt. Libraries do not always say that they could not write, or that they could not read."""
    cause = in_a_child(error)
    if cause.outcome == "crashed" and (short := shortage(work.folder, 1 << 20)):
        return Cause("machine", short)
    if cause.outcome not in ("refused", "crashed"):
        return cause
    # the hash has read the source from end to end already; where a library failed, the source may have fallen sick since
    reads: list[Callable[[], str]] = [source_hash.result]
    if cause.outcome == "crashed" or error.__cause__ is not None:
        sources = (work.spec.source, *(other.source for other in work.spec.companions))
        reads += [partial(file_hash, source) for source in sources]
    for read in reads:
        try:
            read()
        except Exception as fault:
            sick = in_a_child(fault)
            if sick.outcome == "machine":
                return replace(sick, reason=f"the picture cannot be read: {sick.reason}")
    return cause


@dataclass
class _Work:
    """What one attempt has at hand, and what it has to say."""

    spec: JobSpec
    folder: Path
    beside: ThreadPoolExecutor
    clock: Clock = field(default_factory=Clock)
    notes: list[Note] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    chain: Chain | None = None  #: as it was evaluated

    @property
    def sheet(self) -> Path:
        return self.folder / "sheet.tif"


def _render(work: _Work) -> Finished:
    """Build, evaluate and write the sheet; once more where reading failed, and at random where a step turns out to look twice."""
    job = job_of(work.spec, work.folder)
    links, maker, settings = work.clock.timed("load plugins", lambda: links_of(work.spec, work.facts))
    for offered_by in work.facts.get("changed_plugins", ()):
        work.notes.append(Note(f"{offered_by} has changed since this job was planned; made with it as it is"))
    first: Access = "random" if maker.passes == "many" else "sequential"
    spec, folder = work.spec, work.folder

    def chain(access: Access, number: int) -> Chain:
        """The chain of the job's picture (0), or of the n-th companion of a group proof."""
        if number == 0:
            others = tuple(chain(access, 1 + other) for other in range(len(spec.companions)))
            opener = opener_of(spec, spec.source, job, folder, work.facts.setdefault("read", {}))
            return Chain(links, job, opener, access=access, picture_name=spec.source_name, companions=others)
        other = spec.companions[number - 1]
        own = with_settings(links, other.settings)
        opener = opener_of(spec, other.source, job, folder, work.facts.setdefault(f"read {number}", {}))
        return Chain(own, job, opener, access=access, picture_name=other.source_name)

    def once(access: Access) -> Finished:
        work.chain = chain(access, 0)
        return _evaluate(work, work.chain, maker, settings, job)

    try:
        return once(first)
    except Exception as error:
        looks_twice = first == "sequential" and sort_fault(error).out_of_order
        if not looks_twice and not _is_a_librarys(error):
            raise
    if not looks_twice:
        # a share that fails one read looks like damage to a decoder, and only damage is there again
        return once(first)
    made = once("random")
    names = ", ".join(link.name for link in links if link.offer.passes == "one")
    text = f"read at random: a step among {names} looks twice and should be offered with passes='many'"
    work.notes.append(Note(text))
    return made


def _is_a_librarys(error: Exception) -> bool:
    """True where libvips' word stands behind it."""
    return type(error.__cause__).__module__.startswith("pyvips")


def _evaluate(work: _Work, chain: Chain, maker: SheetOffer[Any], settings: Any, job: Job) -> Finished:
    from drydown.imaging.guard import strict_warnings
    from drydown.imaging.write import write_sheet

    ppi, icc = job.stock.ppi, job.stock.icc
    try:
        with strict_warnings():
            made = work.clock.timed("build", lambda: maker.run(chain, settings, job))
            work.clock.timed("render and write", lambda: write_sheet(made, work.sheet, ppi=ppi, icc=icc))
    except (Refusal, MachineFault, MemoryError, StepCrashed):
        raise
    except Exception as error:
        cause = sort_fault(error)
        if cause.out_of_order or cause.outcome != "crashed":
            raise
        if not type(error).__module__.startswith(
            "pyvips"
        ):  # raised while building, not by an evaluation: the maker's own
            raise StepCrashed(
                work.spec.maker.name, work.spec.maker.plugin.offered_by, cause.reason
            ) from error
        work.facts["evaluation"] = (
            cause.reason
        )  # the library's own words belong into the record, not before a person
        raise _culprit(chain, cause) from error
    return made


def _make(work: _Work) -> tuple[tuple[Output, ...], dict[str, Any]]:
    """The sheet and what lies beside it, synced and hashed; and what the record must remember of it."""
    from drydown.imaging.preview import small_sheet, write_preview
    from drydown.jobs.ticket import ticket

    made, clock = _render(work), work.clock
    looked = work.beside.submit(look, work.chain, work.spec) if work.spec.page and work.chain else None
    work.notes[:0] = made.frame.notes
    sheet_hash, sheet_synced = (
        work.beside.submit(file_hash, work.sheet),
        work.beside.submit(_sync, work.sheet),
    )
    files = {"sheet": work.sheet}
    files |= {kind: work.folder / name for kind, name in BESIDE.items()}
    small = clock.timed("preview", lambda: small_sheet(work.sheet))
    preview = clock.timed("preview", lambda: write_preview(small, files["preview"]))
    card = ticket(work.spec, made, leaf=work.spec.leaf)
    files["ticket"].write_text(card.text, encoding="utf-8")
    files["ticket_json"].write_text(card.json(), encoding="utf-8")
    seen: dict[str, Any] = {}
    if looked is not None:
        seen = clock.timed(
            "page", lambda: write_page(work.folder / PAGE, work.spec, made, card, small, looked, work.notes)
        )
        if seen:
            files["page"] = work.folder / PAGE
    for kind in files.keys() - {"sheet"}:
        _sync(files[kind])
    hashes: dict[str, str] = {kind: file_hash(path) for kind, path in files.items() if kind != "sheet"}
    clock.timed("wait for the disk", sheet_synced.result)
    hashes["sheet"] = sheet_hash.result()
    outputs = [
        {"kind": kind, "path": path.name, "bytes": path.stat().st_size, "blake3": hashes[kind]}
        for kind, path in files.items()
    ]
    record = {
        "form": made.form,
        "turned": made.turned,
        "bits": made.bits,
        "compression": made.compression,
        "size_px": [made.frame.width, made.frame.height],
        "picture_px": asdict(made.picture) if made.picture else None,
        "maker": dict(made.record),
        "preview": preview,
        **seen,
    }
    return tuple(Output.model_validate(output) for output in outputs), record


def _culprit(chain: Chain, cause: Cause) -> Exception:
    """Whose fault an evaluation is: the source first, then by halving over the steps; 'not found' is an honest answer."""

    def evaluates(count: int) -> bool:
        try:
            chain.upto(count).pixels.avg()
        except Exception:
            return False
        return True

    links = chain.links
    if not evaluates(0):
        return Refusal(
            f"{chain.picture_name or 'The picture'} is damaged inside: it cannot be decoded to its end. Export it again and drop it once more."
        )
    good, bad = 0, len(links)
    if evaluates(bad):
        return StepCrashed("sheet maker", "the sheet maker", cause.reason)
    while bad - good > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if evaluates(middle) else (good, middle)
    link = links[bad - 1]
    return StepCrashed(link.name, link.offered_by, cause.reason)


def _sync(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def peak_mb() -> float:
    """Peak resident memory of this process in MB: VmHWM where there is /proc, else ru_maxrss (which a fork inherits)."""
    try:
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return round(int(line.split()[1]) / 1024, 1)
    except OSError:
        pass
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)
