"""From a finished attempt to a published sheet, in the one order that survives a crash anywhere.

Stage: preview, ticket and record go to the prints folder under names that hold the job, so to repeat it is harmless; the sheet is synced beside
its place under a staging name; a marker in the claimed folder says that from here on it may have been printed; the ledger says `staged`.
Publish: the ledger says `publishing`, with the machine's boot; **one rename**; the folder is synced; the ledger says `published`; the original is
put away; the ledger says `done`.

After a crash the staging name alone tells whether the rename happened: there, it did not; gone, it did, and it is never done again, even
when the sheet was taken away meanwhile. A power cut may undo a rename that somebody has seen: hence the boot, and then a person decides.
A hard link instead of the rename would leave both names for a moment and break that evidence, so it is never used.
"""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from drydown import durable
from drydown.errors import MachineFault
from drydown.jobs.hashing import file_hash
from drydown.jobs.ledger import Ledger, StagedSheet
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.names import OPTIONAL, RECORD, STAGED_MARKER, SUFFIXES, sheet_prefix, stage_name
from drydown.jobs.originals import clear_reason, kept_path, put_away, show_reason
from drydown.jobs.places import Places, has_marker, prepare_prints
from drydown.jobs.record import files_of, record_bytes, record_of
from drydown.jobs.repeats import identity_of, repeat_of
from drydown.jobs.spec import AttemptResult, JobSpec, Output
from drydown.jobs.states import Question, Stage, check_move
from drydown.showing import shown

Check = Literal["size", "hash"]
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class BadOutputs(Exception):
    """What an attempt left in its folder is not what it said. The attempt has failed, whatever it answered."""


def boot_id(path: Path = BOOT_ID) -> str:
    """Names this run of the machine; empty where the system does not tell, and then nothing is concluded across a restart."""
    try:
        return path.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


@dataclass(frozen=True, slots=True)
class Publisher:
    """Stages and publishes. `boot`: `boot_id()`. `file_mode`: of published files; an attempt keeps its own to itself."""

    ledger: Ledger
    places: Places
    boot: str
    clock: Callable[[], float] = time.time
    file_mode: int = 0o644

    def stage(self, job: str, result: AttemptResult, folder: Path, *, check: Check = "size") -> JobRow:
        """Stage what a finished attempt left in `folder`; the ledger then says `staged`. Anew after a crash: with a new attempt.

        `check`: "hash" where the attempt ran on another machine. Raises BadOutputs, MachineFault, OSError, Conflict.
        """
        row = self.ledger.job(job)
        spec = row.spec
        if spec is None:
            raise BadOutputs(f"job {row.id} has no plan")
        outputs = _checked(result, folder, check)
        known = self.was_marked(spec.prints)
        prepare_prints(spec.prints, known=known)
        if not known:
            self.ledger.remember(_marked_fact(spec.prints), "marked")
        self._publish_companions(row, spec, result, outputs, folder)
        sheet = outputs["sheet"]
        self._bring(folder / sheet.path, spec.prints / stage_name(row.id))
        if row.taken is not None:
            durable.write_atomic(row.taken / STAGED_MARKER, b"", mode=0o600)
        name = sheet_prefix(spec.stem, row.id) + SUFFIXES["sheet"]
        staged = StagedSheet(
            prints=spec.prints,
            stem=spec.stem,
            name=name,
            blake3=sheet.blake3,
            identity=identity_of(row.spec_data, result.source_blake3),
        )
        return self.ledger.staged(row.id, staged, result)

    def was_marked(self, prints: Path) -> bool:
        """True when sheets were put into this folder before, so that it has a marker unless it is offline."""
        return bool(self.ledger.fact(_marked_fact(prints)))

    def publish(self, job: str) -> JobRow:
        """Publish a staged sheet and put its original away; or hold it, where a person must approve it, it repeats another, or a file stands in its place.

        Answers the job as it then is: done, held, or claimed where the staged sheet is no longer what was approved.
        Raises MachineFault, OSError (call `resume` later), Conflict.
        """
        row = self.ledger.job(job)
        if row.stage is not Stage.STAGED:
            check_move(row.id, row.stage, "publishing")
        if not row.approved and (asked := self._asked_first(row)):
            return self._hold(row, *asked)
        if not self.staged_is_whole(row, check="hash" if row.approved else "size"):
            return self._restage(row)
        if os.path.lexists(_sheet(row)):
            return self._place_taken(row)
        return self._hand_over(self.ledger.publishing(row.id, self.boot))

    def _asked_first(self, row: JobRow) -> tuple[Question, str] | None:
        """What a person must answer before this staged sheet goes out; one question only, and a repeat is asked about once."""
        result = row.result_data
        repeat = repeat_of(self.ledger, row, str(result.get("source_blake3", "")), result.get("record") or {})
        if row.asks_approval:
            preview = self.places.shown(_in_prints(row, SUFFIXES["preview"]))
            look = f"Look at the crop in {preview}, then approve the job."
            return Question.APPROVE, f"{repeat.told(self.places)} {look}" if repeat else look
        if repeat is None or self.ledger.was_approved(row.id):
            return None
        return Question.REPEATED, repeat.question(self.places)

    def resume(self, job: str, *, check: Check = "size") -> JobRow:
        """Go on with a job that is staged, publishing or published, as the staging name and the boot tell. Safe to call at any time.

        `check`: "hash" where the sheet was staged before this process began.
        Raises MachineFault where the prints folder is offline, OSError.
        """
        row = self.ledger.job(job)
        match row.stage:
            case Stage.STAGED:
                return self.publish(row.id) if self.staged_is_whole(row, check=check) else self._restage(row)
            case Stage.PUBLISHING:
                return self._resume_publishing(row)
            case Stage.PUBLISHED:
                return self.finish(row.id)
        return row

    def finish(self, job: str) -> JobRow:
        """Put the original of a published sheet away; the job is done. Raises OSError: the job stays published, call again."""
        row = self.ledger.job(job)
        kept = self.places.shown(kept_path(self.places, row, "done"))
        put_away(self.places, row, "done", record_of(row, now=self.clock(), state="completed", kept=kept))
        return self.ledger.done(row.id)

    def staged_is_whole(self, row: JobRow, *, check: Check = "hash") -> bool:
        """True when the staged sheet lies there as it was staged; "size" only looks whether it lies there at all.

        Raises MachineFault where the folder is offline, OSError.
        """
        prints = _prints(row)
        if not has_marker(prints):
            raise MachineFault(
                f"{self.places.shown(prints)} is offline; job {row.id} goes on when it is back"
            )
        staged = prints / stage_name(row.id)
        try:
            return staged.is_file() if check == "size" else file_hash(staged) == row.sheet_blake3
        except FileNotFoundError:
            return False

    def withdraw(self, row: JobRow) -> None:
        """Remove what will not be published: the staged sheet, and, when it was never begun to hand it over, what lies beside. Raises OSError."""
        if row.prints is None or not row.sheet_name:
            return
        names = [stage_name(row.id)]
        if not row.boot_id:
            names += [row.prefix + suffix for kind, suffix in SUFFIXES.items() if kind != "sheet"]
            names.append(row.prefix + RECORD)
        for name in names:
            if (row.prints / name).exists():
                durable.unlink_durable(row.prints / name)

    def _resume_publishing(self, row: JobRow) -> JobRow:
        prints = _prints(row)
        if not has_marker(prints):
            return self._hold(
                row,
                Question.PRINTED,
                f"The program ended while it handed the sheet over, and {self.places.shown(prints)} is not there to tell: was it printed?",
            )
        if not os.path.lexists(prints / stage_name(row.id)):
            durable.fsync_dir(prints)
            return self._after_the_rename(row)
        if self.boot and row.boot_id == self.boot:
            return self._hand_over(row)
        return self._hold(
            row,
            Question.PRINTED,
            "The power went, or the machine was started again, while the sheet was handed over: was it printed?",
        )

    def _hand_over(self, row: JobRow) -> JobRow:
        """The one rename, with its folder synced, and what follows. The ledger says `publishing`."""
        try:
            durable.rename_durable(_prints(row) / stage_name(row.id), _sheet(row))
        except FileExistsError:
            return self._place_taken(row)
        except durable.GoneInRename:
            return self._hold(
                row,
                Question.PRINTED,
                "The file system lost the sheet while it was handed over, and it lies under neither name: was it printed?",
            )
        except FileNotFoundError:
            return self._hold(
                row, Question.PLACE, "The finished sheet vanished before it was published: make it anew."
            )
        return self._after_the_rename(row)

    def _after_the_rename(self, row: JobRow) -> JobRow:
        self.ledger.published(row.id)
        return self.finish(row.id)

    def _place_taken(self, row: JobRow) -> JobRow:
        where = self.places.shown(_sheet(row))
        return self._hold(
            row,
            Question.PLACE,
            f"{where} exists, and nothing is overwritten: move it away, then approve the job.",
        )

    def _hold(self, row: JobRow, question: Question, reason: str) -> JobRow:
        held = self.ledger.hold(row.id, question, reason)
        show_reason(self.places, held)
        return held

    def _restage(self, row: JobRow) -> JobRow:
        """Render again. The marker goes last of all: while it is there, a lost ledger means a question, not a second sheet."""
        again = self.ledger.restage(row.id)
        self.unstage(again)
        return again

    def unstage(self, row: JobRow) -> None:
        """Remove the staged sheet and the marker of a job that is back in the queue. Raises OSError; harmless to leave undone."""
        clear_reason(self.places, row)
        if row.prints is not None and (row.prints / stage_name(row.id)).exists():
            durable.unlink_durable(row.prints / stage_name(row.id))
        if row.taken is not None and (row.taken / STAGED_MARKER).exists():
            durable.unlink_durable(row.taken / STAGED_MARKER)

    def _publish_companions(
        self, row: JobRow, spec: JobSpec, result: AttemptResult, outputs: dict[str, Output], folder: Path
    ) -> None:
        files = files_of(spec.stem, row.id, [output.model_dump() for output in outputs.values()])
        for file in files:
            if file.kind != "sheet":
                self._bring(folder / outputs[file.kind].path, spec.prints / file.name)
        kept = self.places.shown(kept_path(self.places, row, "done"))
        record = record_of(row, now=self.clock(), state="", kept=kept, files=files, result=result)
        name = sheet_prefix(spec.stem, row.id) + RECORD
        durable.write_atomic(spec.prints / name, record_bytes(record), mode=self.file_mode)

    def _bring(self, path: Path, to: Path) -> None:
        """Move a file of an attempt to its place, synced, replacing what an earlier attempt of the same job left there."""
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            os.fchmod(fd, self.file_mode)
            durable.fsync_file(fd)
        finally:
            os.close(fd)
        try:
            durable.rename_durable(path, to, replace=True)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            if to.exists():
                durable.unlink_durable(to)
            durable.copy_durable(path, to)
            to.chmod(self.file_mode)


def _checked(result: AttemptResult, folder: Path, check: Check) -> dict[str, Output]:
    """kind -> output, each a plain file of the said size directly below the attempt's folder. Raises BadOutputs, OSError."""
    outputs = {output.kind: output for output in result.outputs}
    missing = set(SUFFIXES) - OPTIONAL - set(outputs)
    if missing:
        raise BadOutputs(f"the attempt did not make {' and '.join(sorted(missing))}")
    for output in outputs.values():
        path = folder / output.path
        if Path(output.path).name != output.path:
            raise BadOutputs(f"the attempt names a file outside its folder: {shown(output.path)}")
        try:
            found = path.lstat()
        except FileNotFoundError:
            raise BadOutputs(f"the attempt's {output.kind} is not there") from None
        if not stat.S_ISREG(found.st_mode) or found.st_size != output.bytes:
            raise BadOutputs(f"the attempt's {output.kind} is not what it said")
        if check == "hash" and file_hash(path) != output.blake3:
            raise BadOutputs(f"the attempt's {output.kind} does not have the hash that it said")
    return {str(kind): output for kind, output in outputs.items()}


def _marked_fact(prints: Path) -> str:
    return f"prints {shown(str(prints))}"


def _prints(row: JobRow) -> Path:
    if row.prints is None:
        raise ValueError(f"job {row.id} was never staged")
    return row.prints


def _sheet(row: JobRow) -> Path:
    return _prints(row) / row.sheet_name


def _in_prints(row: JobRow, suffix: str) -> Path:
    return _prints(row) / f"{row.prefix}{suffix}"
