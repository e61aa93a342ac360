"""At every start, before anything is claimed: make the ledger and the folders agree, whatever the last end was like.

A ledger that is damaged or gone is moved aside and built again from the folders. Claimed folders that no job owns are adopted. Every job that was
under way goes on, starts again, or waits for a person, by what lies on the disk; nothing is printed twice and nothing is lost. To
recover again after a crash in the middle of it comes to the same end. What claimed folders there are is told by the caller.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

from drydown import durable
from drydown.errors import MachineFault
from drydown.jobs.collected import take_back
from drydown.jobs.desk import Desk
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import JobRow, Ledger, LedgerDamaged, LedgerFailed
from drydown.jobs.ledger_file import COMPANIONS
from drydown.jobs.names import STAGED_MARKER, is_job, job_of_stage_name, stage_name
from drydown.jobs.originals import kept_path, reasons_shown
from drydown.jobs.places import Kept, Places, has_marker, make_folders
from drydown.jobs.policy import INTERRUPTIONS, interrupted_too_often
from drydown.jobs.publish import Publisher
from drydown.jobs.rebuild import Adoptable, Run, adopt, listed, relocate, restore_finished, seen
from drydown.jobs.removing import remove_tree
from drydown.jobs.sandbox.found import TRIAL
from drydown.jobs.states import Question, Stage

__all__ = ["Adoptable", "Recovered", "adopt_late", "recover"]

BUILT = "built"  #: the ledger's word for: everything that the folders tell is in here


@dataclass(frozen=True, slots=True)
class Recovered:
    """What a recovery did; all zero after a clean end."""

    rebuilt: int = 0  #: 1 when the ledger was damaged or gone, and there was something to build it from
    aside: str = ""  #: where the damaged ledger lies now
    adopted: int = 0
    restored: int = 0  #: finished jobs found again from their records
    again: int = 0  #: attempts that the daemon's end cut short, to be made again
    resumed: int = 0  #: jobs that were carried on to their end
    held: int = 0
    offline: int = 0  #: jobs that stay as they are until a folder is back
    put_away: int = 0
    returned: int = 0  #: sheets that came back after a power cut and were set aside
    removed: int = 0  #: left-over files and folders of our own making


def recover(
    places: Places,
    adoptables: Iterable[Adoptable],
    *,
    prints: Iterable[Path],
    boot: str,
    kind_of: Callable[[Path], str],
    log: JobLog,
    clock: Callable[[], float] = time.time,
    charged: bool = True,
) -> tuple[Desk, Recovered]:
    """Recover, and answer the desk with its open ledger. The studio's lock must be held, and no claim may run yet.

    `adoptables`: every claimed folder of every hot folder that is online. `prints`: every folder that sheets are published in.
    `boot`: names this run of the machine. `charged`: whether attempts that were cut short count as interrupted. `kind_of`: see `Ledger.open`. Jobs that a folder keeps from going on are `desk.behind`.
    Raises MachineFault, LedgerFailed, Conflict (a later program's ledger), OSError.
    """
    make_folders(places.state, mode=0o700)
    found, folders = {one.job: one for one in adoptables}, tuple(prints)
    aside = ""
    while True:
        try:
            ledger = Ledger.open(places.ledger, kind_of=kind_of, clock=clock)
            try:
                desk = Desk(Publisher(ledger, places, boot, clock), log)
                is_new = not ledger.fact(BUILT)
                counts = _recovered(Run(desk, found, folders, charged=charged))
                break
            except BaseException:
                ledger.close()
                raise
        except LedgerDamaged as error:
            if aside:  # what was built just now cannot be damaged: the disk is
                raise LedgerFailed(
                    f"{error}; it was built anew a moment ago, so look after the disk"
                ) from error
            log.write("ledger damaged", reason=str(error))
            aside = places.shown(_move_aside(places.ledger, clock()))
    summary = Recovered(rebuilt=int(is_new and bool(aside or counts)), aside=aside, **counts)
    log.write("recovered", **{item.name: getattr(summary, item.name) for item in fields(summary)})
    return desk, summary


def adopt_late(desk: Desk, adoptables: Iterable[Adoptable], *, prints: Iterable[Path]) -> None:
    """What is claimed in a hot folder that could not be looked into at the start becomes jobs. Raises OSError."""
    adopt(Run(desk, {one.job: one for one in adoptables}, tuple(prints)))


def _recovered(run: Run) -> dict[str, int]:
    """All steps in their order; what was done, counted."""
    ledger, boot = run.ledger, run.desk.publisher.boot
    more = {row.prints: None for row in ledger.live() if row.prints is not None}
    run.prints = tuple(dict.fromkeys((*run.prints, *more)))
    if not ledger.fact(BUILT):  # new, or its building was cut off
        restore_finished(run)
    adopt(run)
    relocate(run)
    rebooted, taken_back = ledger.fact("boot") != boot or not boot, True
    if rebooted:
        count, taken_back = take_back(ledger, run.desk.log)
        run.count("returned", count)
    for row in ledger.live():
        _settle(run, row, rebooted=rebooted)
    _finish_final(run)
    _tidy(run)
    if taken_back:
        ledger.remember("boot", boot)
    ledger.remember(BUILT, "yes")
    return {what: count for what, count in run.counts.items() if count}


def _move_aside(path: Path, now: float) -> Path:
    """The damaged ledger and its journals, out of the way, kept. The journals first: alone they would be taken for a new ledger's."""
    stamp = datetime.fromtimestamp(now, UTC).strftime("%Y%m%dT%H%M%S%f")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    for end in (*COMPANIONS, ""):
        old = Path(f"{path}{end}")
        with contextlib.suppress(FileNotFoundError):
            durable.rename_durable(old, Path(f"{aside}{end}"), replace=True)
    return aside


def _settle(run: Run, row: JobRow, *, rebooted: bool) -> None:
    desk = run.desk
    match row.stage:
        case Stage.RUNNING:
            row = run.ledger.interrupted(row.id, charged=run.charged)
            run.count("again")
            if interrupted_too_often(row.interrupted):
                reason = (
                    f"The program itself ended {row.interrupted} times while this picture was printed; more than {INTERRUPTIONS} "
                    "is too often to try again unasked. The job log says what happened."
                )
                desk.hold(row.id, Question.INTERRUPTED, reason)
                run.count("held")
                return
        case Stage.HELD:
            _keep_held(run, row)
            return
    if _is_behind(row, rebooted=rebooted):
        reason = "The ledger is older than the folders: a sheet of this picture had been made, and it is not where it was staged. Was it printed?"
        desk.hold(row.id, Question.PRINTED, reason)
        run.count("held")
        return
    match row.stage:
        case Stage.STAGED | Stage.PUBLISHING | Stage.PUBLISHED:
            _go_on(run, row)
            return
    _see_original(run, row)


def _is_behind(row: JobRow, *, rebooted: bool) -> bool:
    """True where the folders know of a sheet that the ledger has not come to yet, as after a backup was put back: it may have been handed over since.

    The marker is written once a staged sheet lies there, and a job that is rendered again keeps the sheet's name until the marker is gone. After a
    restart of the machine the staged sheet may be one whose handing over was undone.
    """
    prints = row.prints or (row.spec.prints if row.spec_json and row.spec else None)
    if row.taken is None or prints is None or row.stage in (Stage.PUBLISHING, Stage.PUBLISHED):
        return False
    if row.original_path is None or not os.path.lexists(row.original_path):
        return False  # that tells more: see `_see_original`
    if not has_marker(prints):
        return False
    gone = not os.path.lexists(prints / stage_name(row.id))
    never_staged = not row.sheet_name and os.path.lexists(row.taken / STAGED_MARKER)
    return (never_staged and (gone or rebooted)) or (gone and row.stage is Stage.STAGED)


def _go_on(run: Run, row: JobRow) -> None:
    after = run.desk.go_on(row.id, check="hash")
    if after.id in run.desk.behind:
        run.count("offline")
    elif after.stage is Stage.HELD:
        run.count("held")
    elif after.stage is Stage.CLAIMED:
        run.count("again")
        _see_original(run, after)
    else:
        run.count("resumed")


def _keep_held(run: Run, row: JobRow) -> None:
    """The reason must be seen; and a sheet that waits for approval must still be there, else it is made again."""
    publisher = run.desk.publisher
    try:
        if row.question in (Question.APPROVE, Question.REPEATED) and not publisher.staged_is_whole(row):
            publisher.unstage(run.ledger.restage(row.id))
            run.count("again")
        else:
            run.desk.follow(row)
    except (LedgerFailed, LedgerDamaged):
        raise
    except (OSError, MachineFault):
        run.desk.behind.add(row.id)
        run.count("offline")


def _see_original(run: Run, row: JobRow) -> None:
    """A waiting job whose picture is plainly not where it should be waits for a person. An absent folder proves nothing: a share may be off."""
    if row.original_path is None or os.path.lexists(row.original_path):
        return
    kinds: tuple[Kept, ...] = ("done", "refused")
    kept = next((kind for kind in kinds if os.path.lexists(kept_path(run.places, row, kind))), None)
    found = run.adoptables.get(row.id)
    if kept is not None and not row.copied:
        reason = f"The picture lies in originals/{kept} already: the ledger is older than the folders. Was it printed?"
    elif found is not None and not found.original:
        reason = "The picture is not in its claimed folder any more. Drop it again, and cancel this job."
    else:
        return
    run.desk.hold(row.id, Question.ORIGINAL, reason)
    run.count("held")


def _finish_final(run: Run) -> None:
    """Finished jobs whose claimed folder is still there: the last end came before the folders could follow."""
    for job, found in run.adoptables.items():
        if run.ledger.has(job) and (row := run.ledger.job(job)).is_final and found.path.is_dir():
            run.desk.follow(row)
            run.count("put_away")


def _tidy(run: Run) -> None:
    """Remove left-overs: names of our own making that no live job owns. Nothing else is touched."""
    live = {row.id: row for row in run.ledger.live()}
    for folder in run.prints:
        for path in seen(run, folder):
            job = job_of_stage_name(path.name)
            if durable.is_unfinished(path.name) or (job and job not in live and not _is_missed(run, job)):
                _remove(run, path)
    for job, path in reasons_shown(run.places).items():
        if job not in live or live[job].stage is not Stage.HELD:
            _remove(run, path)
    kinds: tuple[Kept, ...] = ("done", "held", "refused")
    kept = [run.places.originals(kind) for kind in kinds]
    recipes = run.places.root / "recipes"
    for folder in (run.places.state, run.places.requests, run.places.profiles, recipes, *kept):
        for path in listed(folder):
            if durable.is_unfinished(path.name):
                _remove(run, path)
    for path in listed(run.places.work):
        if is_job(path.name) or path.name.startswith(TRIAL):
            remove_tree(path)
            run.count("removed")


def _is_missed(run: Run, job: str) -> bool:
    """True for a job that is done, yet whose sheet is staged and nowhere else: better kept than removed."""
    if not run.ledger.has(job):
        return False
    row = run.ledger.job(job)
    if row.stage is not Stage.DONE or row.collected or row.sheet is None or os.path.lexists(row.sheet):
        return False
    run.desk.log.write(
        "staged sheet of a finished job",
        job,
        reason="its published sheet is not there; the staged one is kept",
    )
    return True


def _remove(run: Run, path: Path) -> None:
    durable.unlink_durable(path)
    run.count("removed")
