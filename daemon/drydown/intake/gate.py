"""The one gate: may this file be claimed now? Start, clock and hints all come through here.

Settled for its quiet time, whole as far as the file system and its content tell, and its own settings file likewise. The answer "no" leaves
the reason and the next time to ask with the file.
"""

from __future__ import annotations

import math
import os

from drydown.intake import complete, walk
from drydown.intake.arrivals import Arrivals
from drydown.intake.folder import HotFolder, below, joined, split
from drydown.intake.found import IntakeTimes, Ready, WaitKind
from drydown.intake.sidecar import Neighbours
from drydown.showing import shown


class Gate:
    """Judges files of one hot folder, opened as `root`, at one moment; each sub-folder's names are listed once.

    `again_at`: when to ask again where no time is known, which is with the next full look: thousands of waiting files are then one look and not thousands.
    """

    def __init__(
        self,
        folder: HotFolder,
        root: int,
        arrivals: Arrivals,
        times: IntakeTimes,
        *,
        now: float,
        again_at: float,
    ) -> None:
        self._folder, self._root, self._arrivals, self._times = folder, root, arrivals, times
        self._now, self._again_at = now, again_at
        self._neighbours: dict[str, Neighbours] = {}

    def judge(self, relative: str) -> Ready | None:
        """The picture ready to be claimed, or None. Raises nothing: what cannot be reached is put off."""
        within, name = split(relative)
        self._arrivals.look_again(relative, self._again_at)  # unless something else comes of it
        try:
            with below(self._root, within) as fd:
                if within not in self._neighbours:
                    self._neighbours[within] = Neighbours({*walk.listing(fd).files, name})
                pairing = self._neighbours[within].of(name)
                if pairing.why:
                    self._arrivals.wait(relative, "settings", pairing.why, self._again_at)
                    return None
                if not self._is_whole(fd, relative, name):
                    return None
                if pairing.settings is not None and not self._settings_are_whole(
                    fd, relative, pairing.settings
                ):
                    return None
        except FileNotFoundError:
            self._arrivals.forget(relative)
            return None
        except OSError as error:
            why = f"it cannot be reached: {os.strerror(error.errno or 0)}"
            self._arrivals.put_off(relative, "put off", why, self._now)
            return None
        return self._ready(relative, pairing.settings)

    def _ready(self, relative: str, settings: str | None) -> Ready | None:
        within, name = split(relative)
        seen = self._arrivals.settling.seen(relative)
        beside = self._arrivals.settling.seen(joined(within, settings)) if settings is not None else None
        if seen is None:
            return None
        return Ready(
            folder=self._folder,
            within=within,
            name=name,
            look=seen.look,
            settings=settings,
            settings_look=beside.look if beside else None,
            since=seen.since,
            kind=self._arrivals.kind,
        )

    def _settings_are_whole(self, fd: int, picture: str, settings: str) -> bool:
        relative = joined(split(picture)[0], settings)
        if self._is_whole(fd, relative, settings):
            return True
        why, again = "it is gone", self._now
        if self._arrivals.settling.seen(relative) is not None:
            why, again = self._arrivals.why(relative, self._now), self._arrivals[relative].check_at
        if not self._now < again < math.inf:
            again = self._again_at
        self._arrivals.wait(picture, "settings", f"its settings {shown(settings)}: {why}", again)
        return False

    def _is_whole(self, fd: int, relative: str, name: str) -> bool:
        """Settled and complete by a fresh look; else its reason and time are set."""
        if not self._arrivals.look_at(fd, relative, name, self._now):
            return False
        seen = self._arrivals.settling.seen(relative)
        if seen is None or self._arrivals[relative].check_at == math.inf:
            return False
        if self._now < self._arrivals.matures_at(relative):
            self._arrivals.wait(relative, "settling", "", self._arrivals.matures_at(relative))
            return False
        kind = self._arrivals.kind
        still_s = self._now - seen.still_since
        patient = still_s < self._times.patience_s(kind)
        verdict = complete.check(name, seen.look, dir_fd=fd, kind=kind, patient=patient)
        if verdict.state == "complete":
            if still_s >= self._times.quiet_s(kind) or verdict.writer == "free":
                return True
            # Nobody vouches for the short wait, so it is the long one.
            self._arrivals.wait(relative, "settling", "", seen.still_since + self._times.quiet_s(kind))
        elif verdict.state == "unfit":
            self._arrivals.put_off(relative, "unfit", verdict.why, self._now)
        else:
            kind_of_wait: WaitKind = "busy" if verdict.state == "changing" else "unfinished"
            self._arrivals.wait(relative, kind_of_wait, verdict.why, self._again_at)
        return False
