"""The order of syncs that a power cut cannot undo, as rules over a trace. Reads system calls only: it knows nothing of the program but names of files.

The ledger speaks through the pages that it writes: an event of a job stands in them as `<job><event><stage>`, and counts from when every file of
the ledger is synced and its rollback journal is empty. `violations` answers one sentence for each rule that a call broke, with the line in the trace.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from tests.torture.strace_kit import Call

_LEDGER = re.compile(r"(.*)/state/ledger\.db(-journal|-wal)?")
_STAGE = re.compile(r"(.*)/\.stage-([0-9a-z]{8,32})\.part")
_TAKEN = re.compile(r"(.*)/\.taken/([0-9a-z]{8,32})/([^/]*)")
_TAKEN_FOLDER = re.compile(r"(.*)/\.taken/([0-9a-z]{8,32})")
_WORK = re.compile(r".*/state/work/([0-9a-z]{8,32})/\d+")
_ASIDE = re.compile(r".*/\.drydown-[^/]*\.part")
_OF_JOB = re.compile(r".*/[^/]*__[0-9a-z]{8,32}\.[^/]*")
_MAY_BE_LOST = "/state/daemon.json"  #: what a running daemon says of itself: worth nothing once it has ended
_TOLERATED = ("EINVAL", "ENOTSUP", "EOPNOTSUPP")  #: a file system that knows no such sync

_SAID = {"start": "startedrunning", "intent": "handed overpublishing", "out": "publishedpublished"}


@dataclass
class _Ledger:
    """What one ledger has said that a power cut cannot take back, and what it is saying."""

    unsynced: set[str] = field(default_factory=set)
    may_roll_back: bool = False  #: its rollback journal is not emptied yet
    saying: str = ""
    said: set[str] = field(default_factory=set)  #: `<job><event><stage>`

    def has_said(self, job: str, what: str) -> bool:
        """A letter of the time before it may seem to be one of the job's name: hence the end of what was said."""
        return any(said.endswith(job + _SAID[what]) for said in self.said)


_EVENT = re.compile(rf"[0-9a-z]{{8,32}}?(?:{'|'.join(_SAID.values())})")


class Rules:
    """One reading of a trace; `published` counts the sheets that it saw handed over."""

    def __init__(self) -> None:
        self.published = 0
        self._ledgers: dict[str, _Ledger] = {}
        self._unsynced_content: set[str] = set()
        self._bad: set[str] = set()  #: files whose sync failed
        self._owed: dict[
            int, dict[str, str]
        ] = {}  #: thread -> folder -> what was renamed in it and is not synced
        self._synced_notes: set[str] = set()  #: notes that lie in their claimed folder for good
        self._made: set[str] = set()  #: claimed folders seen made

    def violations(self, calls: Iterable[Call]) -> Iterator[str]:
        """One sentence a violation."""
        for call in calls:
            for wrong in self._judge(call):
                yield f"line {call.line}: {wrong}"

    def _judge(self, call: Call) -> Iterator[str]:
        match call.name:
            case "fsync" | "fdatasync":
                yield from self._sync(call)
            case "write" | "pwrite64" | "writev" | "ftruncate" if not call.error and call.paths:
                yield from self._write(call)
            case "rename" | "renameat" | "renameat2" if not call.error and len(call.paths) == 2:
                yield from self._rename(call, *call.paths)
            case "mkdir" | "mkdirat" if not call.error:
                yield from self._mkdir(call, call.paths[0])
            case "unlink" | "unlinkat" if not call.error:
                yield from self._unlink(call.paths[0])

    def _sync(self, call: Call) -> Iterator[str]:
        path = call.paths[0]
        if call.error and call.error not in _TOLERATED:
            self._bad.add(path)
            return
        if path in self._bad:
            yield f"{path} was synced again after that had failed: the second answer is not to be believed"
        self._unsynced_content.discard(path)
        for owed in self._owed.values():
            owed.pop(path, None)
        if found := _LEDGER.fullmatch(path):
            ledger = self._ledger(found[1])
            ledger.unsynced.discard(path)
            if not ledger.unsynced and not ledger.may_roll_back:
                ledger.said.update(_EVENT.findall(ledger.saying))
                ledger.saying = ""

    def _write(self, call: Call) -> Iterator[str]:
        path = call.paths[0]
        found = _LEDGER.fullmatch(path)
        if found is None:
            self._unsynced_content.add(path)
            return
        owed = self._owed.get(call.thread, {})
        for folder, what in owed.items():
            yield f"the ledger is written while {folder} is not synced after {what}"
        owed.clear()
        ledger = self._ledger(found[1])
        ledger.unsynced.add(path)
        if found[2] == "-journal":
            ledger.may_roll_back = call.name != "ftruncate"
        else:
            ledger.saying += call.text

    def _rename(self, call: Call, old: str, new: str) -> Iterator[str]:
        ours = _ASIDE.fullmatch(old) or _STAGE.fullmatch(new) or _STAGE.fullmatch(old)
        if ours and old in self._unsynced_content and not new.endswith(_MAY_BE_LOST):
            yield f"{new} gets its name before its content is synced"
        if old in self._bad:
            yield f"{new} gets its name though its sync had failed"
        for known in (self._unsynced_content, self._bad):
            if old in known:
                known.discard(old)
                known.add(new)
        into, out_of = _TAKEN.fullmatch(new), _TAKEN.fullmatch(old)
        if stage := _STAGE.fullmatch(old):
            yield from self._publish(call, stage[1], stage[2])
        elif into and not out_of and not _ASIDE.fullmatch(old):
            yield from self._claim(call, into[1], into[2])
        elif out_of and "/originals/done/" in new:
            yield from self._put_away(out_of[2], old)
        if into and into[3] in (".job.json", ".staged"):
            self._synced_notes.add(new)
        if stage or into or out_of or _STAGE.fullmatch(new) or _OF_JOB.fullmatch(new):
            owed = self._owed.setdefault(call.thread, {})
            for path in (new, old):
                owed[path.rpartition("/")[0]] = f"the rename to {new}"

    def _publish(self, call: Call, prints: str, job: str) -> Iterator[str]:
        self.published += 1
        ledger = self._ledger_over(prints)
        if ledger is not None and not ledger.has_said(job, "intent"):
            yield f"job {job} is published before the ledger says so for good"
        yield from self._nothing_owed(call, f"job {job} is published")
        if call.name != "renameat2" or "RENAME_NOREPLACE" not in call.flags:
            yield f"job {job} is published by a rename that would replace another sheet"
        taken = [folder for folder in self._made if folder.endswith(f"/.taken/{job}")]
        if taken and f"{taken[0]}/.staged" not in self._synced_notes:
            yield f"job {job} is published without a marker in its claimed folder"

    def _claim(self, call: Call, hot: str, job: str) -> Iterator[str]:
        folder = f"{hot}/.taken/{job}"
        yield from self._nothing_owed(call, f"job {job} is claimed", but=folder)
        if folder in self._made and f"{folder}/.job.json" not in self._synced_notes:
            yield f"job {job} is claimed before its note lies there"

    def _put_away(self, job: str, path: str) -> Iterator[str]:
        ledger = self._ledger_over(path)
        if ledger is not None and not ledger.has_said(job, "out"):
            yield f"the original of job {job} is put away before the ledger says that its sheet is out"

    def _mkdir(self, call: Call, path: str) -> Iterator[str]:
        if _TAKEN_FOLDER.fullmatch(path):
            self._made.add(path)
            self._owed.setdefault(call.thread, {})[path.rpartition("/")[0]] = f"{path} was made"
        work = _WORK.fullmatch(path)
        ledger = self._ledger_over(path) if work else None
        if work and ledger is not None and not ledger.has_said(work[1], "start"):
            yield f"an attempt of job {work[1]} begins before the ledger counts it"

    def _unlink(self, path: str) -> Iterator[str]:
        found = _TAKEN.fullmatch(path)
        if found and not found[3].startswith("."):
            yield f"{path} is removed: an original is only ever moved"

    def _nothing_owed(self, call: Call, what: str, *, but: str = "") -> Iterator[str]:
        for folder, why in self._owed.get(call.thread, {}).items():
            if folder != but:
                yield f"{what} while {folder} is not synced after {why}"

    def _ledger(self, root: str) -> _Ledger:
        return self._ledgers.setdefault(root, _Ledger())

    def _ledger_over(self, path: str) -> _Ledger | None:
        """The ledger of the studio that `path` lies in; None where none was written yet."""
        roots = [root for root in self._ledgers if path.startswith(f"{root}/")]
        return self._ledgers[max(roots, key=len)] if roots else None
