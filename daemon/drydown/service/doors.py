"""The hot folders as the daemon sees them: scanners and watcher together, made anew when the studio changes."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path

from drydown.intake import filesystem
from drydown.intake.apart import Apart
from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder
from drydown.intake.found import FolderState, Found, IntakeTimes, Ready, Waiting, WaitKind, together
from drydown.intake.rescan import Scanner
from drydown.studio.settings import DaemonTable

#: kinds of waiting that end only when somebody does something
ASK_A_PERSON: tuple[WaitKind, ...] = ("unfit", "settings", "unfinished", "put off")
TELL_AFTER_S = 20.0
TELL_EVERY_S = 5.0  #: between two looks for files to tell of: there may be thousands


class Doors:
    """Looks at hot folders when told to, and lets events tell when that is worth while. `hint` is called from other threads."""

    def __init__(
        self,
        folders: Sequence[HotFolder],
        settings: DaemonTable,
        hint: Callable[[str], None],
        kind_of: Callable[[Path], Kind] = filesystem.kind,
    ) -> None:
        from drydown.intake.watch import Watcher  # loads watchdog: only whoever watches needs it

        self._times = IntakeTimes(
            quiet_local_s=settings.quiet_s,
            quiet_network_s=settings.network_quiet_s,
            rescan_s=settings.rescan_s,
        )
        self.folders = tuple(folders)
        self._hint, self._kind_of = hint, kind_of
        self._kinds: dict[str, Kind] = {}
        self._scanners: deque[Scanner | Apart] = deque()
        self._sort()
        self._watcher = Watcher(self.folders, hint, kind_of)
        self._watcher.start()  # before the first scan: what comes in between is found by one of the two
        self._faults = 0
        self._told: set[tuple[str, str, str]] = set()
        self._tell_at = 0.0
        self._everything = True
        self.looks = 0  #: how often the folders were looked at
        self.next_at = 0.0  #: monotonic seconds: when to look again if nobody tells of anything
        self.waiting = 0
        self.more = False  #: pictures wait for nothing but room
        self.problems: tuple[str, ...] = ()
        self.complaints: list[str] = []  #: of the watcher, for whoever logs: it empties the list

    def look(self, now: float, told: frozenset[str], *, everything: bool, want: int) -> Found:
        """Look, and mend the watcher where it has died or a folder was replaced. At most `want` pictures to claim."""
        if not self._watcher.alive() or self._watcher.faults != self._faults:
            self._faults = self._watcher.faults
            self._watcher.restart()
            everything = True
        complaints = self._watcher.complaints()
        everything = everything or bool(complaints)
        self.complaints += complaints
        parts: list[Found] = []
        self._scanners.rotate()  # another one comes first each time, so that a full folder starves nobody
        for scanner in self._scanners:
            left = want - sum(len(part.ready) for part in parts)
            parts.append(
                scanner.scan(now, told, everything=everything or self._everything, want=max(0, left))
            )
        found = together(parts)
        self.looks += 1
        self._everything = False
        if found.returned:
            self._sort()
            self._watcher.restart()
            self._everything = True
        self.waiting, self.more = found.waiting, found.more
        self.problems = tuple(trouble.what for trouble in found.problems)
        self.next_at = now if self._everything else now + found.look_again_s
        return found

    def overdue(self, now: float) -> list[Waiting]:
        """Files that wait for a person, and have for a while: each is answered once, with its reason."""
        if now < self._tell_at:
            return []
        self._tell_at = now + TELL_EVERY_S
        late = {
            (one.folder, one.relative, one.why): one
            for scanner in self._scanners
            for one in scanner.waiting(now, ASK_A_PERSON)
            if now - one.since >= TELL_AFTER_S
        }
        new = [one for key, one in late.items() if key not in self._told]
        self._told = set(late)  # what is gone is forgotten, or a year's files would be kept
        return new

    def put_off(self, ready: Ready, why: str, now: float) -> None:
        """A picture could not be claimed: later."""
        for scanner in self._scanners:
            scanner.put_off(ready, why, now)

    def taken(self, ready: Ready) -> None:
        """A picture was claimed."""
        for scanner in self._scanners:
            scanner.taken(ready)

    def states(self, now: float, most: int) -> list[FolderState]:
        """Every folder at a glance, in the studio's order, each with at most `most` of its waiting files."""
        found = {state.folder: state for scanner in self._scanners for state in scanner.states(now, most)}
        return [found[folder.name] for folder in self.folders]

    def mode(self, folder: str) -> tuple[str, str]:
        """How a folder is watched, `events` or `rescan`, and for `rescan` what stands in the way of events."""
        mode = self._watcher.modes[folder]
        return mode.how, mode.why

    def modes(self) -> list[str]:
        """One line a folder: how it is watched."""
        lines = []
        for folder in self.folders:
            how, why = self.mode(folder.name)
            said = "by events and rescans" if how == "events" else f"by rescans only ({why})"
            lines.append(f"{folder.name}: {said}")
        return lines

    def close(self) -> None:
        """End the watcher's threads."""
        self._watcher.stop()

    def _sort(self) -> None:
        """Folders of this machine share a scanner; each of the others gets its own, which may hang. Where nothing has changed all stay as they are."""
        kinds = {folder.name: self._kind_of(folder.path) for folder in self.folders}
        if kinds == self._kinds and self._scanners:
            return
        self._kinds = kinds
        near = [folder for folder in self.folders if kinds[folder.name] == "local"]
        far = [folder for folder in self.folders if kinds[folder.name] != "local"]
        self._scanners = deque([Scanner(near, self._times, self._kind_of)])
        self._scanners.extend(Apart(folder, self._times, self._hint, self._kind_of) for folder in far)
