"""A hot folder that may not answer: its scans run in threads of their own, so that a file server that is away stops nobody else.

On a hard mount whose server is gone, opening a folder waits for minutes and cannot be interrupted. So whoever scans asks, waits a moment, and goes on without
the answer; a late one is announced by a hint and taken at the next scan. There is never more than one thread a folder: a hung one is waited for,
and being a daemon thread it does not keep the program from ending.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from pathlib import Path

from drydown.intake import filesystem
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder
from drydown.intake.found import FolderState, Found, IntakeTimes, Ready, Trouble, Waiting, WaitKind
from drydown.intake.rescan import Scanner
from drydown.showing import shown

MOMENT_S = 0.25  #: how long a scan waits for the answer of a share that is well
LATE_S = 20.0  #: after so long the share is said not to answer


class Apart:
    """A `Scanner` of one folder that never keeps its caller waiting. `hint` is called from its thread, as a watcher's is."""

    def __init__(
        self,
        folder: HotFolder,
        times: IntakeTimes,
        hint: Callable[[str], None],
        kind_of: Callable[[Path], Kind] = filesystem.kind,
        moment_s: float = MOMENT_S,
    ) -> None:
        self.folder = folder
        self._scanner = Scanner([folder], times, kind_of)
        self._hint, self._moment_s = hint, moment_s
        self._look: _Look | None = None  # under way, or not taken yet
        self._told: set[str] = set()
        self._everything = False
        self._last = Found()
        self._next_at = 0.0
        self._said_late = False
        self._state: list[FolderState] = [FolderState(folder.name, None, 0, ())]

    def scan(self, now: float, told: Collection[str], *, everything: bool, want: int | None) -> Found:
        """Like `Scanner.scan`; empty but for what was known before while there is no answer yet."""
        self._told.update(path for path in told if path.startswith(f"{self.folder.path}/"))
        self._everything = self._everything or everything
        if self._look is None:
            wanted = self._told or self._everything or now >= self._next_at or (self._last.more and want)
            if not wanted:
                return self._nothing_new(now)
            self._look = _Look(self._scanner, now, frozenset(self._told), self._everything, want)
            self._told, self._everything = set(), False
            self._look.begin(lambda: self._hint(str(self.folder.path)), self._moment_s)
        if not self._look.is_over():
            return self._nothing_new(now)
        look, self._look = self._look, None
        return self._answered(look, now, want)

    def waiting(self, now: float, kinds: Collection[WaitKind] | None = None) -> list[Waiting]:
        """Like `Scanner.waiting`; nothing while a look is under way."""
        return self._scanner.waiting(now, kinds) if self._look is None else []

    def states(self, now: float, most: int) -> list[FolderState]:
        """Like `Scanner.states`; as of the last answer while a look is under way."""
        if self._look is None:
            self._state = self._scanner.states(now, most)
        return self._state

    def put_off(self, ready: Ready, why: str, now: float) -> None:
        """Like `Scanner.put_off`; to be called for what the last scan answered, before the next one."""
        if self._look is None and ready.folder == self.folder:
            self._scanner.put_off(ready, why, now)

    def taken(self, ready: Ready) -> None:
        """Like `Scanner.taken`; to be called like `put_off`."""
        if self._look is None and ready.folder == self.folder:
            self._scanner.taken(ready)

    def _answered(self, look: _Look, now: float, want: int | None) -> Found:
        found = look.answer()
        self._next_at = look.began + found.look_again_s
        self._said_late = False
        kept = found.ready if want is None else found.ready[:want]  # there may be less room by now
        self._last = Found(
            ready=kept,
            waiting=found.waiting + len(found.ready) - len(kept),
            problems=found.problems,
            returned=found.returned,
            ignored=found.ignored,
            look_again_s=max(0.0, self._next_at - now),
            more=found.more or len(kept) < len(found.ready),
        )
        return self._last

    def _nothing_new(self, now: float) -> Found:
        problems = [Trouble(one.folder, one.what, one.since, False) for one in self._last.problems]
        again_s = max(0.0, self._next_at - now)
        if self._look is not None:
            again_s = LATE_S  # the answer tells of itself
            if now - self._look.began >= LATE_S:
                what = (
                    f"{shown(str(self.folder.path))} does not answer: its file server may be away; "
                    "the other folders go on, and so does this one once it answers"
                )
                problems.append(Trouble(self.folder.name, what, self._look.began, not self._said_late))
                self._said_late = True
        return Found(
            waiting=self._last.waiting,
            problems=tuple(problems),
            ignored=self._last.ignored,
            look_again_s=again_s,
            more=self._last.more and self._look is None,
        )


class _Look:
    """One scan in one thread; while it is under way nobody else touches the scanner."""

    def __init__(
        self, scanner: Scanner, now: float, told: Collection[str], everything: bool, want: int | None
    ) -> None:
        self.began = now
        self._scan: Callable[[], Found] = lambda: scanner.scan(now, told, everything=everything, want=want)
        self._over = threading.Event()
        self._found: Found | BaseException = Found()
        self._lock = threading.Lock()
        self._left = False

    def begin(self, tell: Callable[[], None], moment_s: float) -> None:
        """Start, and wait a moment; `tell` is called at the end where that was not enough."""
        threading.Thread(target=self._work, args=(tell,), name="share", daemon=True).start()
        self._over.wait(moment_s)
        with self._lock:
            self._left = not self._over.is_set()

    def is_over(self) -> bool:
        return self._over.is_set()

    def answer(self) -> Found:
        if isinstance(self._found, BaseException):
            raise self._found
        return self._found

    def _work(self, tell: Callable[[], None]) -> None:
        try:
            self._found = self._scan()
        except BaseException as error:
            self._found = error
        with self._lock:
            self._over.set()
            late = self._left
        if late:
            tell()
