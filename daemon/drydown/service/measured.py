"""Folders that readings are dropped into: each file is verified against its stock's profile by a process of its own, then put away with the verdict.

A file stays where it was dropped until its verdict is there; a crash in between means that it is verified once more, and the ledger
takes the same readings of the same profile only once. What fails with one file or folder is told and put off; it ends nothing, and holds up no other.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from drydown import durable
from drydown.errors import Exit, is_machines
from drydown.intake import complete, filesystem
from drydown.intake.folder import names_in
from drydown.intake.ignored import ignored
from drydown.intake.settle import Look, Settling
from drydown.jobs.names import cut, split
from drydown.jobs.places import Kept, Places, make_folders
from drydown.showing import shown
from drydown.studio.settings import DaemonTable, MeasuredFolderTable

LOOK_S: Final = 1.0
AGAIN_S: Final = 5.0  #: how long a file or folder is put off at first; twice as long each time
AGAIN_MOST_S: Final = 60.0
DEADLINE_S: Final = 120.0
VERDICT: Final = ".verdict.txt"  #: what follows the name of the readings
_VERDICT: Final = (Exit.OK, Exit.SOME_NOT_COMPLETED)  #: passed, or not
_LATER: Final = (Exit.MACHINE, Exit.BUSY)


@dataclass(slots=True)
class _Running:
    file: Path
    process: subprocess.Popen[bytes]
    said: IO[bytes]
    until: float


@dataclass(frozen=True, slots=True)
class _PutOff:
    why: str
    pause_s: float
    until: float


class MeasuredFolders:
    """Looks when told to, one file at a time. All times monotonic seconds."""

    def __init__(
        self,
        places: Places,
        tables: tuple[MeasuredFolderTable, ...],
        settings: DaemonTable,
        say: Callable[[str], None],
    ) -> None:
        self._places, self._tables, self._say = places, tables, say
        self._settling = {
            places.root / table.path: Settling(
                settings.quiet_s
                if filesystem.kind(places.root / table.path) == "local"
                else settings.network_quiet_s
            )
            for table in tables
        }
        self._running: _Running | None = None
        self._put_off: dict[Path, _PutOff] = {}
        self._look_at = 0.0
        for table in tables:
            try:
                make_folders(places.root / table.path)
            except OSError as error:  # looked for as one of an unmounted share is
                say(
                    f"{shown(table.path)} cannot be made: {_why(error)}; make it, and it is read from then on"
                )

    def look(self, now: float) -> None:
        """Take in a verdict that has come, else start on the next file that is whole."""
        if now < self._look_at or not self._tables:
            return
        self._look_at = now + LOOK_S
        if self._running is not None:
            file = self._running.file
            with self._put_off_on_error(file, f"{shown(file.name)} cannot be put away", now):
                self._end(self._running, now)
            return
        for table in self._tables:
            if self._start_next(table, now):
                return

    def _start_next(self, table: MeasuredFolderTable, now: float) -> bool:
        """True when a file of this folder is being verified now."""
        folder = self._places.root / table.path
        if not self._is_due(folder, now):
            return False
        with self._put_off_on_error(folder, "the folder cannot be read", now):
            for file in self._whole(folder, now):
                with self._put_off_on_error(file, f"{shown(file.name)} cannot be verified", now):
                    self._start(file, table, now)
                    return True
        return False

    def close(self) -> None:
        """End the process under way; its file waits for the next start."""
        if self._running is not None:
            self._running.process.kill()
            self._running.process.wait()
            self._running.said.close()
            self._running = None

    def _whole(self, folder: Path, now: float) -> Iterator[Path]:
        """Files that are due, have been quiet long enough, and that nobody writes, by name."""
        kind = filesystem.kind(folder)
        try:
            fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        except FileNotFoundError:  # an unmounted share: it may come back
            return
        try:
            names = sorted(name for name in names_in(fd) if not ignored(name))
            self._settling[folder].keep_only(names)
            self._forget(folder, names)
            for name in names:
                if self._is_due(folder / name, now) and self._is_whole(folder, name, fd, kind, now):
                    yield folder / name
        finally:
            os.close(fd)

    def _is_whole(self, folder: Path, name: str, fd: int, kind: filesystem.Kind, now: float) -> bool:
        what = f"{shown(name)} cannot be looked at"
        with self._put_off_on_error(folder / name, what, now), contextlib.suppress(FileNotFoundError):
            look = Look.of(os.stat(name, dir_fd=fd, follow_symlinks=False))
            if self._settling[folder].observe(name, look, now):
                return complete.check(name, look, dir_fd=fd, kind=kind, patient=False).state == "complete"
        return False

    def _start(self, file: Path, table: MeasuredFolderTable, now: float) -> None:
        command = [sys.executable, "-m", "drydown", "--studio", str(self._places.root), "profile", "verify"]
        if table.chart is not None:
            command += ["--chart", str(self._places.root / table.chart)]
        said = tempfile.TemporaryFile()  # noqa: SIM115 - closed when the verdict is read
        process = subprocess.Popen(
            [*command, "--", table.stock, str(file)],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
        )
        self._running = _Running(file, process, said, now + DEADLINE_S)

    def _end(self, running: _Running, now: float) -> None:
        code = running.process.poll()
        if code is None:
            if now >= running.until:
                running.process.kill()
            return
        self._running = None
        with running.said as said:
            said.seek(0)
            text = said.read().decode("utf-8", "replace")
        first = text.strip().split("\n")[0]
        if code in _LATER or code < 0:
            self._later(
                running.file, f"{shown(running.file.name)} is not verified", first or "it took too long", now
            )
            return
        kept: Kept = "done" if code in _VERDICT else "refused"
        to = self._put_away(running.file, kept, text)
        self._put_off.pop(running.file, None)
        if to is not None:
            self._say(f"{first}; {self._places.shown(to)}")

    def _put_away(self, file: Path, kept: Kept, text: str) -> Path | None:
        """The verdict first, then the readings, under a name that is free; None where somebody has taken them away meanwhile."""
        folder = self._places.originals(kept)
        make_folders(folder, mode=0o700)
        stem, suffix = split(file.name)
        number = 1
        while (
            to := folder / cut(stem, f"-{number}{suffix}" if number > 1 else suffix, beside=VERDICT)
        ).exists():
            number += 1
        durable.write_atomic(to.with_name(f"{to.name}{VERDICT}"), text.encode("utf-8"), mode=0o644)
        try:
            durable.move_durable(file, to)
        except FileNotFoundError:
            return None
        return to

    @contextlib.contextmanager
    def _put_off_on_error(self, path: Path, what: str, now: float) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            self._later(path, what, _why(error), now)

    def _is_due(self, path: Path, now: float) -> bool:
        return path not in self._put_off or self._put_off[path].until <= now

    def _later(self, path: Path, what: str, why: str, now: float) -> None:
        """Put a file or a folder off. What holds up many files of one folder is told with the first of them."""
        before = self._put_off.get(path)
        where = self._where(path)
        told = any(self._where(other) == where and one.why == why for other, one in self._put_off.items())
        pause_s = min(AGAIN_MOST_S, 2 * before.pause_s) if before else AGAIN_S
        self._put_off[path] = _PutOff(why, pause_s, now + pause_s)
        if not told:
            self._say(f"{self._places.shown(where)}: {what}: {why}; it is tried again by itself")

    def _forget(self, folder: Path, names: Collection[str]) -> None:
        """The folder is read again, and it holds these files only."""
        self._put_off.pop(folder, None)
        for path in [path for path in self._put_off if path.parent == folder and path.name not in names]:
            del self._put_off[path]

    def _where(self, path: Path) -> Path:
        """The measured folder that a file lies in, or that is put off itself."""
        return path if path in self._settling else path.parent


def _why(error: OSError) -> str:
    said = os.strerror(error.errno) if error.errno else str(error)
    return f"{said}, which is the machine's fault and not the readings'" if is_machines(error) else said
