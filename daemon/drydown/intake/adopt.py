"""Adoption: at the start, what earlier runs left in the private folders. The files are the truth, the ledger follows.

To be done before any scan, with SIGIO ignored (`complete.ignore_lease_breaks`). What each remainder of a crash means:

- an empty folder, or only the note: the claim never happened, or the job has ended; it is removed;
- settings without a picture: the claim was cut off just before its rename; they go back where they were;
- a picture: claimed. Settings that the note promises and that still lie where they were are fetched; a note that is missing is written anew.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
from dataclasses import dataclass
from pathlib import Path

from drydown import durable
from drydown.intake import complete, filesystem, owner, record
from drydown.intake.claim import below_or_root, move_back, remove_empty
from drydown.intake.copyin import discard
from drydown.intake.filesystem import Kind
from drydown.intake.folder import TAKEN, HotFolder, below, names_in
from drydown.intake.names import is_job_id
from drydown.intake.owner import opened
from drydown.intake.record import NOTE, STAGED, Claimed, Note
from drydown.intake.settle import Look
from drydown.intake.sidecar import is_settings
from drydown.showing import shown


@dataclass(frozen=True, slots=True)
class Adoption:
    """`claimed`: pictures found, oldest claim first. `notes`: sentences for the log on what was healed or left alone."""

    claimed: tuple[Claimed, ...]
    notes: tuple[str, ...]


def adopt(folder: HotFolder) -> Adoption:
    """All claimed pictures of a hot folder. May be repeated: it changes nothing that is in order. Raises FolderOffline, OSError."""
    with opened(folder, take_over=True) as at:
        adopter = _Adopter(folder.name, folder.path, folder.path / TAKEN, at.root, at.taken)
        adopter.notes += [at.note] if at.note else []
        return adopter.all()


def adopt_copies(taken: Path, folder: str = "run") -> Adoption:
    """The same for the private folder of `claim_copy`; a folder that does not exist holds nothing. Raises OSError."""
    try:
        fd = os.open(taken, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except FileNotFoundError:
        return Adoption((), ())
    try:
        return _Adopter(folder, taken, taken, None, fd).all()
    finally:
        os.close(fd)


class _Adopter:
    """`root` is None where nothing can be put back, because everything is a copy."""

    def __init__(self, name: str, path: Path, private: Path, root: int | None, taken: int) -> None:
        self.name, self.path, self.private, self.root, self.taken = name, path, private, root, taken
        self.kind: Kind = filesystem.kind(private)
        self.notes: list[str] = []

    def all(self) -> Adoption:
        claimed = []
        for job in sorted(names_in(self.taken)):
            if durable.is_unfinished(job):
                with contextlib.suppress(IsADirectoryError, PermissionError):  # a folder is none of ours
                    durable.unlink_durable(job, dir_fd=self.taken)
                continue
            if job == owner.FILE and self.root is not None:
                continue
            if not is_job_id(job):
                self.notes.append(f"{shown(str(self.private / job))} is none of ours; left alone")
                continue
            with below(self.taken, job) as job_fd:
                found = self.one(job, job_fd)
            if found is not None:
                claimed.append(found)
        return Adoption(tuple(claimed), tuple(self.notes))

    def one(self, job: str, job_fd: int) -> Claimed | None:
        names = names_in(job_fd)
        # a note that a crash cut off; the job may wait for long
        for left in filter(durable.is_unfinished, names):
            durable.unlink_durable(left, dir_fd=job_fd)
        files = [name for name in names if not name.startswith(".")]
        pictures = [name for name in files if not is_settings(name)]
        note = record.read(job_fd)
        if not pictures:
            self._no_picture(job, job_fd, files, note)
            return None
        name = note.name if note is not None and note.name in pictures else pictures[0]
        if len(pictures) > 1 or len(files) > 2:
            self.notes.append(f"{shown(str(self.private / job))} holds more than one picture; left alone")
            return None
        if note is None or note.name != name:
            note = self._new_note(job, job_fd, name, [file for file in files if file != name])
        return self._claimed(note, job_fd, STAGED in names)

    def _no_picture(self, job: str, job_fd: int, files: list[str], note: Note | None) -> None:
        if self.root is None:
            discard(self.private / job)
            return
        with below_or_root(self.root, note.within if note else "") as source_fd:
            for name in files:
                where = move_back(name, job, job_fd, source_fd)
                self.notes.append(
                    f"job {job}: settings {shown(where)} put back, their picture was never claimed"
                )
        remove_empty(job, job_fd, self.taken)

    def _new_note(self, job: str, job_fd: int, name: str, settings: list[str]) -> Note:
        own = settings[0] if settings else None
        note = Note(
            job=job,
            folder=self.name,
            within="",
            name=name,
            look=_look(name, job_fd),
            settings=own,
            settings_look=_look(own, job_fd) if own else None,
            taken_at_s=os.fstat(job_fd).st_mtime,
            dropped=str(self.path / name),
            copied=self.root is None,
        )
        record.write(note, job_fd=job_fd)
        self.notes.append(f"job {job}: the note {NOTE} was missing or damaged and was written anew")
        return note

    def _claimed(self, note: Note, job_fd: int, staged: bool) -> Claimed:
        trouble = ""
        if note.settings is not None and not self._has_settings(note, job_fd):
            trouble = f"its settings {shown(note.settings)} are missing; drop it again together with them"
            note = dataclasses.replace(note, settings=None)
        look, why, busy = self._ask(note.name, job_fd)
        same = look.size == note.look.size and (note.copied or look.mtime_ns == note.look.mtime_ns)
        return dataclasses.replace(
            note.claimed(self.private / note.job, look),
            folder=note.folder if self.root is None else self.name,
            trouble=trouble or why,
            settled=same and not busy,
            staged=staged,
        )

    def _ask(self, name: str, job_fd: int) -> tuple[Look, str, bool]:
        """The picture's look, why it cannot be used, and whether somebody still writes it."""
        try:
            with complete.opened_file(name, dir_fd=job_fd) as fd:
                found = os.fstat(fd)
                return (
                    Look.of(found),
                    complete.unfit(found),
                    self.kind == "local" and complete.writer_of(fd) == "busy",
                )
        except OSError as error:
            return _look(name, job_fd), f"it cannot be read: {os.strerror(error.errno or 0)}", False

    def _has_settings(self, note: Note, job_fd: int) -> bool:
        """True when the settings lie beside the picture, or still lay where they were and have now been fetched."""
        assert note.settings is not None
        try:
            os.stat(note.settings, dir_fd=job_fd, follow_symlinks=False)
            return True
        except FileNotFoundError:
            pass
        if self.root is None or note.settings_look is None:
            return False
        try:
            with below(self.root, note.within) as source_fd:
                if not _look(note.settings, source_fd).same_content(note.settings_look):
                    return False
                durable.rename_durable(note.settings, note.settings, src_dir_fd=source_fd, dst_dir_fd=job_fd)
        except FileNotFoundError:
            return False
        self.notes.append(
            f"job {note.job}: settings {shown(note.settings)} fetched, the claim had been cut off"
        )
        return True


def _look(name: str, dir_fd: int) -> Look:
    return Look.of(os.stat(name, dir_fd=dir_fd, follow_symlinks=False))
