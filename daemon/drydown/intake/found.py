"""What a rescan finds, as values, and the times it keeps to. All times named `now` and `since` are monotonic seconds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from drydown.intake.filesystem import Kind
from drydown.intake.folder import HotFolder, joined
from drydown.intake.settle import Look

#: Why a file waits. settling: its quiet time runs. busy: somebody writes it. unfinished: its content says so. settings: its settings file, or a
#: settings file without its picture. unfit: no wait helps, a person must act. put off: taking it failed, tried again later.
WaitKind = Literal["settling", "busy", "unfinished", "settings", "unfit", "put off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeTimes:
    """Every waiting time of the intake, in seconds. The defaults are for people dropping pictures; tests and the demo hand in shorter ones."""

    quiet_local_s: float = 2.0
    quiet_network_s: float = (
        10.0  #: time stamps of shares are coarse and cached; also where the kind of file system is unknown
    )
    quiet_told_s: float = 0.3  #: when a watcher told of the file and the kernel says that nobody writes it
    patience_local_s: float = 20.0  #: unchanged for so long, a file that looks unfinished is taken: its reader shall say what is wrong
    patience_network_s: float = 120.0
    rescan_s: float = 2.0  #: between two looks at everything; stretched where there are thousands of files
    folder_retry_first_s: float = 2.0  #: a folder that is offline or sick, doubled up to the next
    folder_retry_most_s: float = 60.0
    file_retry_first_s: float = 5.0  #: a file that cannot be taken, doubled up to the next
    file_retry_most_s: float = 900.0
    depth: int = 4  #: sub-folders below a hot folder that are looked into; 0 for none

    def quiet_s(self, kind: Kind) -> float:
        return self.quiet_local_s if kind == "local" else self.quiet_network_s

    def patience_s(self, kind: Kind) -> float:
        return self.patience_local_s if kind == "local" else self.patience_network_s


@dataclass(frozen=True, slots=True)
class Ready:
    """A picture that may be claimed now, with its own settings file if it has one."""

    folder: HotFolder
    within: str  #: sub-folder of the hot folder, `a/b`; empty for the hot folder itself
    name: str
    look: Look
    settings: str | None
    settings_look: Look | None
    since: float
    kind: Kind

    @property
    def relative(self) -> str:
        return joined(self.within, self.name)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A file that is not taken yet. There is no end to waiting; `relative` is to be shown through `names.shown`."""

    folder: str
    relative: str
    why: str
    kind: WaitKind
    since: float


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with a folder or one of its sub-folders. `new` once, at the first scan that found it."""

    folder: str
    what: str
    since: float
    new: bool


@dataclass(frozen=True, slots=True)
class Found:
    """The outcome of one scan.

    `ready`: oldest arrival first within a hot folder, the folders in turn. `waiting`: how many files wait. `problems`: what is wrong now.
    `returned`: names of folders that came back or were replaced; their watches are deaf and must be set anew. `ignored`: files left alone,
    by reason. `look_again_s`: the next scan that can find something new, if nobody tells of anything before. `more`: pictures whose time has
    come were not looked at for want of room.
    """

    ready: tuple[Ready, ...] = ()
    waiting: int = 0
    problems: tuple[Trouble, ...] = ()
    returned: tuple[str, ...] = ()
    ignored: Mapping[str, int] = field(default_factory=dict)
    look_again_s: float = 0.0
    more: bool = False


@dataclass(frozen=True, slots=True)
class Ignored:
    """A file or folder that is left alone for its name; `relative` is to be shown through `names.shown`."""

    relative: str
    why: str


@dataclass(frozen=True, slots=True)
class FolderState:
    """A hot folder at a glance. `looked_at`: the last look at all of it, None before the first; `oldest`: the first that wait, in order of arrival.

    `ignored`: how many are left alone, `ignored_first` a few of them by name.
    """

    folder: str
    looked_at: float | None
    waiting: int
    oldest: tuple[Waiting, ...]
    ignored: int = 0
    ignored_first: tuple[Ignored, ...] = ()


def together(parts: Sequence[Found]) -> Found:
    """What several scanners found, as one; at least one part."""
    ignored: Counter[str] = Counter()
    for part in parts:
        ignored.update(part.ignored)
    return Found(
        ready=tuple(ready for part in parts for ready in part.ready),
        waiting=sum(part.waiting for part in parts),
        problems=tuple(trouble for part in parts for trouble in part.problems),
        returned=tuple(name for part in parts for name in part.returned),
        ignored=dict(ignored),
        look_again_s=min(part.look_again_s for part in parts),
        more=any(part.more for part in parts),
    )
