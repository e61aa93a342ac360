"""What a child is enclosed by: the layers, and what it may still read. Write it may in its own folder only."""

from __future__ import annotations

import contextlib
import functools
import os
import sys
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import Final, Literal

from drydown.jobs.sandbox import landlock, seccomp
from drydown.jobs.spec import JobSpec

Layer = Literal["landlock", "seccomp"]
LAYERS: Final[tuple[Layer, ...]] = ("landlock", "seccomp")

#: Libraries, fonts, time zones, what an interpreter and its libraries look up late. Of /proc only what is told of ourselves and the machine.
_SYSTEM: Final = (
    "/usr", "/lib", "/lib32", "/lib64", "/opt", "/nix/store",
    "/etc/ld.so.cache", "/etc/fonts", "/etc/localtime", "/etc/timezone", "/etc/locale.alias", "/etc/mime.types",
    "/etc/passwd", "/etc/group", "/etc/nsswitch.conf", "/etc/os-release",
    "/proc/self", "/proc/cpuinfo", "/proc/meminfo", "/proc/stat", "/proc/filesystems", "/sys/devices/system/cpu",
    "/dev/null", "/dev/zero", "/dev/urandom", "/dev/random",
)  # fmt: skip
_DEV_NULL: Final = Path("/dev/null")


def foresee() -> None:
    """Work out before a fork what every child needs after it."""
    _of_the_system()
    with contextlib.suppress(OSError):
        landlock.abi()


def enclose(folder: Path, reads: Iterable[Path], layers: Collection[str]) -> None:
    """Put the layers around this process, before it has a second thread: it writes below `folder` only. Cannot be undone. Raises OSError."""
    if "landlock" in layers:
        landlock.restrict([*_of_the_system(), *reads], [folder, _DEV_NULL])
    if "seccomp" in layers:
        seccomp.restrict()


def reads_of(spec: JobSpec) -> Iterator[Path]:
    """The files that a job is made from: its pictures, the files that were kept for it, the studio's plugins with what lies beside them.

    A path among a step's settings counts where it leads to a kept file: planning has put every setting of the type `Path` there.
    """
    yield spec.source
    yield from (other.source for other in spec.companions)
    yield spec.stock.profile
    if spec.screen:
        yield spec.screen
    for step in (*spec.steps, spec.maker):
        for value in step.settings.values():
            if isinstance(value, str) and Path(value).parent == spec.stock.profile.parent:
                yield Path(value)
        if step.plugin.file:
            yield Path(step.plugin.file).parent


@functools.cache
def _of_the_system() -> tuple[Path, ...]:
    """The system's part and the interpreter's: also modules that are imported late must be found."""
    ours = [sys.prefix, sys.base_prefix, sys.exec_prefix, *sys.path]
    ours += os.environ.get("LD_LIBRARY_PATH", "").split(":")
    ours += [str(Path(__file__).parents[2])]
    found = dict.fromkeys(Path(path) for path in (*_SYSTEM, *ours) if Path(path).is_absolute())
    return tuple(path for path in found if path != Path("/"))
