"""What one attempt does, inside its own process: read, run the chain, write the sheet, look at what was written, answer.

Writes only below its attempt folder and prints nothing: the answer is `result.json`, and only a complete one counts.
"""

from __future__ import annotations

import os
import resource
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from drydown.api import Finished, Frame, Job, Note, Refusal, Sheet, SheetOffer, StepOffer, Stock
from drydown.discovery import Origin, load
from drydown.errors import MachineFault, StepCrashed
from drydown.jobs.chain import Access, Chain, Link
from drydown.jobs.faults import Cause, sort_fault
from drydown.jobs.hashing import file_hash
from drydown.jobs.spec import AttemptResult, JobSpec, Output, SheetSpec, StepSpec

T = TypeVar("T")
RESULT = "result.json"


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
    clock = Clock()
    notes: list[Note] = []
    facts: dict[str, Any] = {}
    try:
        with ThreadPoolExecutor(2, thread_name_prefix="beside") as beside:
            source_hash = beside.submit(file_hash, spec.source)
            outputs, record = _make(spec, folder, clock, beside, notes, facts)
            outcome, reason, culprit = "done", "", ""
            source_blake3 = source_hash.result()
    except Exception as error:
        cause = sort_fault(error)
        outcome, reason, culprit = cause.outcome, cause.reason, cause.culprit
        outputs, record, source_blake3 = (), {}, ""
        if cause.outcome == "crashed":
            (folder / "traceback.txt").write_text(traceback.format_exc(), encoding="utf-8")
    return AttemptResult.model_validate(
        {
            "job": spec.job,
            "attempt": number,
            "outcome": outcome,
            "reason": reason,
            "culprit": culprit,
            "outputs": outputs,
            "notes": [asdict(note) for note in notes],
            "record": {**facts, **record},
            "seconds": clock.seconds,
            "source_blake3": source_blake3,
            "peak_mb": peak_mb(),
        }
    )


def _make(
    spec: JobSpec,
    folder: Path,
    clock: Clock,
    beside: ThreadPoolExecutor,
    notes: list[Note],
    facts: dict[str, Any],
) -> tuple[tuple[Output, ...], dict[str, Any]]:
    from drydown.imaging.guard import strict_warnings
    from drydown.imaging.preview import write_preview
    from drydown.imaging.write import write_sheet
    from drydown.jobs.ticket import ticket

    job = job_of(spec, folder)
    links, maker, maker_settings = clock.timed("load plugins", lambda: _links(spec))
    sheet = folder / "sheet.tif"

    def render(access: Access) -> Finished:
        chain = Chain(links, job, _opener(spec, job, folder, facts), access=access)
        try:
            with strict_warnings():
                made = clock.timed("build", lambda: maker.run(chain, maker_settings, job))
                clock.timed(
                    "render and write", lambda: write_sheet(made, sheet, ppi=job.stock.ppi, icc=job.stock.icc)
                )
        except (Refusal, MachineFault, MemoryError, StepCrashed):
            raise
        except Exception as error:
            cause = sort_fault(error)
            if cause.out_of_order and access == "sequential":
                raise
            if cause.outcome != "crashed":
                raise
            raise _culprit(chain, cause, error) from error
        return made

    try:
        made = render("sequential")
    except Exception as error:
        if not sort_fault(error).out_of_order:
            raise
        made = render("random")
        names = ", ".join(link.name for link in links if link.offer.passes == "one")
        notes.append(
            Note(f"read at random: a step among {names} looks twice and should be offered with passes='many'")
        )
    notes[:0] = made.frame.notes
    sheet_hash = beside.submit(file_hash, sheet)
    preview_facts = clock.timed("preview", lambda: write_preview(sheet, folder / "preview.jpg"))
    card = ticket(spec, made)
    (folder / "ticket.txt").write_text(card.text, encoding="utf-8")
    (folder / "ticket.json").write_text(card.json(), encoding="utf-8")
    kinds = {"sheet": sheet, "preview": folder / "preview.jpg"}
    kinds |= {"ticket": folder / "ticket.txt", "ticket_json": folder / "ticket.json"}
    clock.timed("sync", lambda: [_sync(path) for path in kinds.values()])
    hashes = {kind: file_hash(path) for kind, path in kinds.items() if kind != "sheet"}
    hashes["sheet"] = clock.timed("wait for the hash", sheet_hash.result)
    outputs = tuple(
        Output.model_validate(
            {"kind": kind, "path": path.name, "bytes": path.stat().st_size, "blake3": hashes[kind]}
        )
        for kind, path in kinds.items()
    )
    record = {
        "form": made.form,
        "turned": made.turned,
        "bits": made.bits,
        "compression": made.compression,
        "size_px": [made.frame.width, made.frame.height],
        "picture_px": asdict(made.picture) if made.picture else None,
        "maker": dict(made.record),
        "preview": preview_facts,
    }
    return outputs, record


def job_of(spec: JobSpec, folder: Path) -> Job:
    """What the steps may know, from the snapshot. Raises MachineFault where the profile's snapshot is gone or changed."""
    stock = spec.stock
    if file_hash(stock.profile) != stock.profile_blake3:
        raise MachineFault(
            f"{stock.profile.name} is not the profile that this job was made with; retry the job"
        )
    return Job(
        id=spec.job,
        source=spec.source,
        scratch=folder,
        stock=Stock(
            name=stock.name,
            profile=stock.profile,
            icc=stock.profile.read_bytes(),
            ppi=stock.ppi,
            intent=stock.intent,
            black_point_compensation=stock.black_point_compensation,
            unprintable_mm=stock.unprintable_mm,
            sharpen_strength=stock.sharpen_strength,
            ticket=stock.ticket,
        ),
        sheet=_sheet(spec.sheet),
        final_sheet=_sheet(spec.final_sheet),
        margins_mm=spec.margins_mm,
        viewing_mm=spec.viewing_mm,
        anyway=spec.anyway,
        recipe=spec.recipe,
        copies=spec.copies,
        edition=spec.edition,
        made=spec.made,
        facts={"lot": stock.lot} if stock.lot else {},
    )


def _sheet(spec: SheetSpec) -> Sheet:
    return Sheet(spec.name, spec.size, spec.pwg)


def _links(spec: JobSpec) -> tuple[tuple[Link, ...], SheetOffer[Any], Any]:
    """The chain as the spec says it, from exactly the plugins that it names."""
    offers: dict[str, dict[str, Any]] = {}

    def offer(step: StepSpec) -> Any:
        ref = step.plugin
        if ref.module not in offers:
            offers[ref.module] = load(Origin(ref.module, ref.file, ref.offered_by, ref.blake3))
        found = offers[ref.module].get(step.use)
        if found is None:
            raise StepCrashed(step.name, ref.offered_by, f"it no longer offers '{step.use}'")
        return found

    links = []
    for step in spec.steps:
        found = offer(step)
        if not isinstance(found, StepOffer):
            raise StepCrashed(step.name, step.plugin.offered_by, f"'{step.use}' is a sheet maker, not a step")
        settings = found.settings.model_validate(step.settings)
        links.append(Link(step.name, found, settings, step.plugin.offered_by))
    maker = offer(spec.maker)
    if not isinstance(maker, SheetOffer):
        raise StepCrashed(
            spec.maker.name, spec.maker.plugin.offered_by, f"'{spec.maker.use}' is not a sheet maker"
        )
    return tuple(links), maker, maker.settings.model_validate(spec.maker.settings)


def _opener(spec: JobSpec, job: Job, folder: Path, facts: dict[str, Any]) -> Callable[[Access], Frame]:
    from drydown.imaging.read import open_picture

    def opened(access: Access) -> Frame:
        picture = open_picture(
            spec.source, untagged=spec.untagged, access=access, max_pixels=spec.max_pixels, scratch=folder
        )
        facts["read"] = dict(picture.facts)
        width, height = picture.pixels.width, picture.pixels.height
        room = job.picture(turned=job.turned_for(width, height))
        ppi = max(width / room.width, height / room.height) * 25.4
        return Frame(pixels=picture.pixels, icc=picture.icc, ppi=ppi, source=spec.source, notes=picture.notes)

    return opened


def _culprit(chain: Chain, cause: Cause, error: Exception) -> Exception:
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
            f"The picture cannot be decoded to its end ({cause.reason}). Export it again and drop it once more."
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
