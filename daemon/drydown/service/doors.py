"""The hot folders as the daemon sees them: scanner and watcher together, made anew when the studio changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drydown.intake.folder import HotFolder
from drydown.intake.found import Found, IntakeTimes, Ready, Waiting
from drydown.intake.rescan import Scanner
from drydown.studio.settings import DaemonTable

#: kinds of waiting that end only when somebody does something
ASK_A_PERSON = ("unfit", "settings", "unfinished", "put off")
TELL_AFTER_S = 20.0


class Doors:
    """Looks at hot folders when told to, and lets events tell when that is worth while. `hint` is called from other threads."""

    def __init__(
        self, folders: Sequence[HotFolder], settings: DaemonTable, hint: Callable[[str], None]
    ) -> None:
        from drydown.intake.watch import Watcher  # loads watchdog: only whoever watches needs it

        times = IntakeTimes(
            quiet_local_s=settings.quiet_s,
            quiet_network_s=settings.network_quiet_s,
            rescan_s=settings.rescan_s,
        )
        self.folders = tuple(folders)
        self._scanner = Scanner(self.folders, times)
        self._watcher = Watcher(self.folders, hint)
        self._watcher.start()  # before the first scan: what comes in between is found by one of the two
        self._faults = 0
        self._told: set[tuple[str, str, str]] = set()
        self._everything = True
        self.next_at = 0.0  #: monotonic seconds: when to look again if nobody tells of anything
        self.waiting = 0
        self.problems: tuple[str, ...] = ()

    def look(self, now: float, told: frozenset[str], *, everything: bool, want: int) -> Found:
        """Look, and mend the watcher where it has died or a folder was replaced. At most `want` pictures to claim."""
        if not self._watcher.alive() or self._watcher.faults != self._faults:
            self._faults = self._watcher.faults
            self._watcher.restart()
            everything = True
        found = self._scanner.scan(now, told, everything=everything or self._everything, want=want)
        self._everything = False
        if found.returned:
            self._watcher.restart()
            self._everything = True
        self.waiting = found.waiting
        self.problems = tuple(trouble.what for trouble in found.problems)
        more = len(found.ready) >= want > 0
        self.next_at = now if more or self._everything else now + found.look_again_s
        return found

    def overdue(self, now: float) -> list[Waiting]:
        """Files that wait for a person, and have for a while: each is answered once, with its reason."""
        found = []
        for one in self._scanner.waiting(now):
            key = (one.folder, one.relative, one.why)
            if one.kind in ASK_A_PERSON and now - one.since >= TELL_AFTER_S and key not in self._told:
                self._told.add(key)
                found.append(one)
        return found

    def put_off(self, ready: Ready, why: str, now: float) -> None:
        """A picture could not be claimed: later."""
        self._scanner.put_off(ready, why, now)

    def modes(self) -> list[str]:
        """One line a folder: how it is watched."""
        lines = []
        for folder in self.folders:
            mode = self._watcher.modes[folder.name]
            how = "by events and rescans" if mode.how == "events" else f"by rescans only ({mode.why})"
            lines.append(f"{folder.name}: {how}")
        return lines

    def close(self) -> None:
        """End the watcher's threads."""
        self._watcher.stop()
