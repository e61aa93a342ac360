"""Folders that readings are dropped into: each file is verified against its stock's profile by a process of its own, then put away with the verdict.

A file stays where it was dropped until its verdict is there; a crash in between means that it is verified once more, and the ledger
takes the same readings of the same profile only once.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from drydown import durable
from drydown.errors import Exit
from drydown.intake import complete, filesystem
from drydown.intake.folder import names_in
from drydown.intake.ignored import ignored
from drydown.intake.settle import Look, Settling
from drydown.jobs.places import Kept, Places, make_folders
from drydown.showing import shown
from drydown.studio.settings import DaemonTable, MeasuredFolderTable

LOOK_S: Final = 1.0
AGAIN_S: Final = 30.0  #: after a fault of the machine, which says nothing about the readings
DEADLINE_S: Final = 120.0
_VERDICT: Final = (Exit.OK, Exit.SOME_NOT_COMPLETED)  #: passed, or not
_LATER: Final = (Exit.MACHINE, Exit.BUSY)


@dataclass(slots=True)
class _Running:
    file: Path
    process: subprocess.Popen[bytes]
    said: IO[bytes]
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
            table.path: Settling(
                settings.quiet_s
                if filesystem.kind(places.root / table.path) == "local"
                else settings.network_quiet_s
            )
            for table in tables
        }
        self._running: _Running | None = None
        self._put_off: dict[Path, float] = {}
        self._look_at = 0.0
        for table in tables:
            make_folders(places.root / table.path)

    def look(self, now: float) -> None:
        """Take in a verdict that has come, else start on the next file that is whole. Raises OSError where a file cannot be put away."""
        if now < self._look_at or not self._tables:
            return
        self._look_at = now + LOOK_S
        if self._running is not None:
            self._end(self._running, now)
            return
        for table in self._tables:
            for file in self._whole(table, now):
                if self._put_off.get(file, now) <= now:
                    self._start(file, table, now)
                    return

    def close(self) -> None:
        """End the process under way; its file waits for the next start."""
        if self._running is not None:
            self._running.process.kill()
            self._running.process.wait()
            self._running.said.close()
            self._running = None

    def _whole(self, table: MeasuredFolderTable, now: float) -> Iterator[Path]:
        """Files that have been quiet long enough and that nobody writes, by name."""
        folder, settling = self._places.root / table.path, self._settling[table.path]
        kind = filesystem.kind(folder)
        try:
            fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        except FileNotFoundError:  # an unmounted share: it may come back
            return
        try:
            names = sorted(name for name in names_in(fd) if not ignored(name))
            settling.keep_only(names)
            for name in names:
                with contextlib.suppress(FileNotFoundError):
                    look = Look.of(os.stat(name, dir_fd=fd, follow_symlinks=False))
                    if not settling.observe(name, look, now):
                        continue
                    if complete.check(name, look, dir_fd=fd, kind=kind, patient=False).state == "complete":
                        yield folder / name
        finally:
            os.close(fd)

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
        running.said.seek(0)
        text = running.said.read().decode("utf-8", "replace")
        running.said.close()
        self._running = None
        first = text.strip().split("\n")[0]
        if code in _LATER or code < 0:
            self._put_off[running.file] = now + AGAIN_S
            self._say(f"{shown(running.file.name)} is verified again later: {first or 'it took too long'}")
            return
        self._put_off.pop(running.file, None)
        kept: Kept = "done" if code in _VERDICT else "refused"
        to = self._put_away(running.file, kept, text)
        if to is not None:
            self._say(f"{first}; {self._places.shown(to)}")

    def _put_away(self, file: Path, kept: Kept, text: str) -> Path | None:
        """The verdict first, then the readings, under a name that is free; None where somebody has taken them away meanwhile."""
        folder = self._places.originals(kept)
        make_folders(folder, mode=0o700)
        number = 1
        while (to := folder / f"{file.stem}{f'-{number}' if number > 1 else ''}{file.suffix}").exists():
            number += 1
        durable.write_atomic(to.with_name(f"{to.name}.verdict.txt"), text.encode("utf-8"), mode=0o644)
        try:
            durable.move_durable(file, to)
        except FileNotFoundError:
            return None
        return to
