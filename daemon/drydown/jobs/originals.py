"""Where the original goes once its job is over, and the reason that lies beside it.

A held picture stays in its claimed folder, the durable queue: so to release, approve or cancel it is one commit of the ledger, and no crash can
leave it between two folders. What a person sees in `originals/held` is the reason, a file named after the picture that says where it is.
A finished one is moved to `originals/done` or `originals/refused`, under a name that holds the job. Every move can be repeated
after a crash. This module moves files; the ledger decides before or after.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.jobs.hashing import file_hash
from drydown.jobs.ledger_rows import JobRow, iso
from drydown.jobs.names import CLAIM_NOTE, REASON, RECORD, STAGED_MARKER, job_of_note, kept_beside, kept_name
from drydown.jobs.places import Kept, Places, make_folders
from drydown.jobs.record import BYTES_MAX, read_record, record_bytes
from drydown.jobs.states import Question, Stage
from drydown.showing import shown

_OURS = (CLAIM_NOTE, STAGED_MARKER)

_NEXT = {
    Question.APPROVE: "drydown approve {job}   (print it as it is)\n  drydown retry {job}     (make it anew, after a change)",
    Question.PRINTED: "drydown approve {job}   (it was not printed: hand it over now)\n  drydown cancel {job}    (it was printed)",
    Question.PICTURE: "drydown retry {job} --anyway   (print it all the same)\n  drydown retry {job}            (after a change)",
    Question.REPEATED: "drydown approve {job}   (print it once more)\n  drydown cancel {job}    (it was a slip: no print; the picture is kept in originals/refused)",
    Question.PLACE: "drydown approve {job}   (hand it over now)\n  drydown retry {job}     (make it anew)",
}
_NEXT_DEFAULT = "drydown retry {job}     (after the cause is mended)"


def kept_kind(stage: Stage) -> Kept:
    """Where the original of a job in this final stage belongs."""
    return "done" if stage in (Stage.DONE, Stage.PUBLISHED) else "refused"


def kept_path(places: Places, row: JobRow, kind: Kept) -> Path:
    """Where the original lies once it is put away; for a copy, where the person's own file lies."""
    if row.copied and row.dropped is not None:
        return row.dropped
    return places.originals(kind) / kept_name(row.original or row.id, row.id)


def put_away(places: Places, row: JobRow, kind: Kept, record: dict[str, Any]) -> None:
    """Record and reason first, then the original and what came with it; then the claimed folder goes. Harmless to repeat.

    A copy of a person's own file is removed instead. Raises OSError.
    """
    folder = places.originals(kind)
    make_folders(folder, mode=0o700)
    name = row.original or row.id
    durable.write_atomic(folder / kept_beside(name, row.id, RECORD), record_bytes(record), mode=0o600)
    if kind == "refused":
        text = reason_text(places, row, kept_path(places, row, kind))
        durable.write_atomic(folder / kept_beside(name, row.id, REASON), text.encode("utf-8"), mode=0o600)
    if row.taken is not None:
        _empty(row.taken, folder, row)


def show_reason(places: Places, row: JobRow) -> None:
    """Say in `originals/held` why a job waits, and what can be done. Raises OSError."""
    folder = places.originals("held")
    make_folders(folder, mode=0o700)
    where = row.original_path if row.original_path is not None else (row.dropped or places.root)
    text = reason_text(places, row, where)
    path = folder / kept_beside(row.original or row.id, row.id, REASON)
    durable.write_atomic(path, text.encode("utf-8"), mode=0o600)


def clear_reason(places: Places, row: JobRow) -> None:
    """Take the reason away once the job does not wait any more. Raises OSError."""
    path = places.originals("held") / kept_beside(row.original or row.id, row.id, REASON)
    if path.exists():
        durable.unlink_durable(path)


def reasons_shown(places: Places) -> dict[str, Path]:
    """job -> the reason file in `originals/held`."""
    found = {job_of_note(path.name, REASON): path for path in _files(places.originals("held"))}
    return {job: path for job, path in found.items() if job}


def records_kept(places: Places, kind: Kept) -> dict[str, dict[str, Any]]:
    """job -> the record beside its put-away original; what cannot be read is left out. Raises OSError."""
    found: dict[str, dict[str, Any]] = {}
    for path in _files(places.originals(kind)):
        job = job_of_note(path.name, RECORD)
        if job and path.stat().st_size <= BYTES_MAX:
            record = read_record(path.read_bytes())
            if record is not None and record.get("job") == job:
                found[job] = record
    return found


def bring_back(kept: Path, taken: Path, name: str) -> Path:
    """Take a put-away original into the claimed folder of a new job, under its own name; answers where it is.

    `taken`: does not exist yet. A crash in between leaves a claimed folder, which is adopted like any other. Raises OSError.
    """
    durable.make_dir(taken)
    durable.move_durable(kept, taken / name)
    return taken / name


def reason_text(places: Places, row: JobRow, where: Path) -> str:
    """What a person reads beside the picture."""
    held = row.stage is Stage.HELD
    lines = [
        f"{row.source_name}: {'held' if held else row.state}",
        "",
        row.reason or "No reason is known.",
        "",
        f"Job: {row.id}   since {iso(row.updated)}",
        f"The picture: {places.shown(where)}",
    ]
    if held:
        choices = _NEXT.get(row.question, _NEXT_DEFAULT).format(job=row.id)
        lines += ["", "Next, one of:", *f"  {choices}".split("\n")]
        if "drydown cancel" not in choices:
            lines.append(f"  drydown cancel {row.id}    (do not print it)")
    return "\n".join("".join(_visible(letter) for letter in line) for line in lines) + "\n"


def _visible(letter: str) -> str:
    return letter if letter == "\\" else shown(letter)  # reasons may hold what was escaped already


def _files(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except FileNotFoundError:
        return []


def _empty(taken: Path, folder: Path, row: JobRow) -> None:
    """Everything that was claimed goes to `folder` (or away, for copies), then our own notes, then the claimed folder itself.

    The picture goes last: as long as it is there, what came with it is known to belong to a claimed picture.
    """
    files = sorted(_files(taken), key=lambda path: path.name == row.original)
    for path in files:
        if path.name in _OURS or durable.is_unfinished(path.name):
            continue
        if row.copied:
            durable.unlink_durable(path)
        else:
            _move(path, folder, row.id)
    for path in files:
        if path.name in _OURS or durable.is_unfinished(path.name):
            durable.unlink_durable(path)
    with contextlib.suppress(OSError):  # somebody put something in: it stays, and is seen at the next start
        taken.rmdir()
        durable.fsync_dir(taken.parent)


def _move(path: Path, folder: Path, job: str) -> None:
    """Move a claimed file; where a crash between copy and removal left it twice, the copy stands, if it is the same."""
    target = folder / kept_name(path.name, job)
    try:
        durable.move_durable(path, target)
    except FileExistsError:
        if file_hash(path) == file_hash(target):
            durable.unlink_durable(path)
            return
        other = 2
        while (target := folder / kept_name(f"{other}-{path.name}", job)).exists():
            other += 1
        durable.move_durable(path, target)
