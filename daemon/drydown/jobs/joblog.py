"""The job log: one JSON object a line, for people and for programs that watch. The ledger is the record; this is what can be read over a shoulder.

Writing never fails a job: on a full disk lines are lost, counted, and the count is told once there is room again. Nothing in a line
can forge another line or drive a terminal: whatever is not plainly visible is escaped.

It rotates by itself (`jobs.log`, `jobs.log.1`, …), and bears being moved away or cut by somebody else's rotation at any time.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drydown.jobs.ledger_rows import iso
from drydown.showing import HIDDEN

LOG_VERSION = 1
LINE_CHARS_MAX = 32_000
LIMIT_BYTES = 16 << 20  #: some 80,000 lines
KEPT = 9  #: numbered files beside the one that is written


class JobLog:
    """Appends lines to `path`, opened anew whenever somebody has moved the file away. One thread writes.

    `limit_bytes`: before a line would make the file longer it becomes number 1, the others move up, and the last one above `kept` goes.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Callable[[], float] = time.time,
        limit_bytes: int = LIMIT_BYTES,
        kept: int = KEPT,
    ) -> None:
        self.path = path
        self._limit_bytes, self._kept = limit_bytes, kept
        self.lost = 0  #: lines that could not be written since the last one that could
        self._clock = clock
        self._fd = -1
        self._torn = False  # the last write ended inside a line

    def write(self, event: str, job: str = "", **details: Any) -> bool:
        """Append one line; True when it is in the file. Never raises for the disk's sake. `details`: anything, kept as JSON."""
        head = (
            {"log": LOG_VERSION, "time": iso(self._clock())}
            | ({"job": job} if job else {})
            | {"event": event}
        )
        lines = [line(head | {key: value for key, value in details.items() if key not in head})]
        if self.lost:
            told = {"log": LOG_VERSION, "time": head["time"], "event": "lines lost", "lines": self.lost}
            lines.insert(0, line(told))
        written = self._append("".join(f"{text}\n" for text in lines).encode())
        self.lost = 0 if written else self.lost + 1
        return written

    def close(self) -> None:
        """Let go of the file; a later `write` opens it again."""
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self._fd)
            self._fd = -1

    def _append(self, data: bytes) -> bool:
        try:
            self._open()
            if self._is_full(len(data)):
                self._rotate()
                self._open()
            whole = b"\n" + data if self._torn else data
            count = os.write(self._fd, whole)
            self._torn = whole[:count][-1:] != b"\n" if count else self._torn
            return count == len(whole)
        except OSError:
            self.close()
            return False

    def _is_full(self, more: int) -> bool:
        size = os.fstat(self._fd).st_size
        return size > 0 and size + more > self._limit_bytes

    def _rotate(self) -> None:
        """Move every number up by one, the highest first: whenever this is cut short, no line is overwritten that is not the oldest."""
        self.close()
        with contextlib.suppress(OSError):  # then the file grows on: better long than lost
            for number in range(self._kept - 1, 0, -1):
                with contextlib.suppress(FileNotFoundError):
                    self._numbered(number).replace(self._numbered(number + 1))
            self.path.replace(self._numbered(1))

    def _numbered(self, number: int) -> Path:
        return self.path.with_name(f"{self.path.name}.{number}")

    def _open(self) -> None:
        """The file that stands under our name now: not the one that was moved away, not one on a share that went and came back."""
        if self._fd >= 0:
            with contextlib.suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(self._fd), self.path.stat()):
                    return
            self.close()
        self._fd = os.open(self.path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
        size = os.fstat(self._fd).st_size
        self._torn = size > 0 and os.pread(self._fd, 1, size - 1) != b"\n"


def line(record: dict[str, Any]) -> str:
    """One record as one line of JSON: letters of any script as they are, everything that a terminal would hide or obey escaped."""
    try:
        text = json.dumps(record, ensure_ascii=False, allow_nan=False, default=str)
    except (TypeError, ValueError, RecursionError):  # a key that is no text, a number that is none, a ring
        text = json.dumps({str(key): repr(value) for key, value in record.items()}, ensure_ascii=False)
    if len(text) > LINE_CHARS_MAX:
        short = {key: record[key] for key in ("log", "time", "job", "event") if key in record}
        text = json.dumps(short | {"cut": text[: LINE_CHARS_MAX // 2]}, ensure_ascii=False)
    return "".join(_escaped(letter) if unicodedata.category(letter) in HIDDEN else letter for letter in text)


def _escaped(letter: str) -> str:
    """The JSON escape of one letter; beyond the first plane that is a pair."""
    return json.dumps(letter)[1:-1] if letter != "\x7f" else "\\u007f"
