"""What this machine's sandbox is worth: every layer tried in a child of its own, then all together, and what is used after that."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from drydown.errors import Fault, MachineFault, StudioError
from drydown.jobs.left import read_plain, tail
from drydown.jobs.limits import LOG
from drydown.jobs.sandbox import landlock, seccomp, trial
from drydown.jobs.sandbox.walls import LAYERS, Layer

Sandbox = Literal["available", "required", "off"]
ANSWER_S: Final = 20.0

_ABOUT: Final[Mapping[Layer, str]] = {
    "landlock": "reads only what a job is made from, writes only its own folder, runs no program",
    "seccomp": "starts no program or process, opens no socket, signals nobody, changes no file's mode",
}


class Running(Protocol):
    """A child at work."""

    @property
    def ended(self) -> Future[int]:
        """Gets its exit code."""
        ...

    def kill(self) -> None:
        """End it."""
        ...


TRIAL = "trial-"  #: how the folders of a trial begin; recovery removes what a crash has left of them
Fork = Callable[[Path, Sequence[str]], Running]  #: start a trial in a folder, enclosed by these layers


@dataclass(frozen=True, slots=True)
class Found:
    """`layers` are put around every child. `missing` says of each other one why not; `trouble`: why they do not work together."""

    wanted: Sandbox
    layers: tuple[Layer, ...] = ()
    missing: Mapping[Layer, str] = field(default_factory=dict)
    trouble: str = ""
    abi: int = 0  #: of Landlock: it knows the network since 4, signals since 6

    @property
    def whole(self) -> bool:
        """True when every layer is in force."""
        return set(self.layers) == set(LAYERS)

    def lines(self) -> list[str]:
        """In plain words, a line a layer."""
        if self.wanted == "off":
            return ["off by studio.toml: plugins and decoders can do whatever the daemon can do"]
        said = [
            f"{self._called(layer)}: a picture's process {_ABOUT[layer]}"
            if layer in self.layers
            else f"{layer}: NOT IN FORCE, {self.missing.get(layer) or self.trouble}"
            for layer in LAYERS
        ]
        if not self.whole:
            said.append("limits on time, memory and files stand in any case")
        return said

    def _called(self, layer: Layer) -> str:
        return f"{layer} (ABI {self.abi})" if layer == "landlock" else layer

    def as_data(self) -> dict[str, Any]:
        """For --json."""
        return {
            "wanted": self.wanted,
            "layers": list(self.layers),
            "missing": dict(self.missing),
            "trouble": self.trouble,
            "landlock_abi": self.abi,
        }


def lacking(found: Found) -> list[Fault]:
    """A fault where the studio requires the sandbox and this machine does not give all of it."""
    if found.wanted != "required" or found.whole:
        return []
    what = [f"{layer} ({why})" for layer, why in found.missing.items()] or [found.trouble]
    return [
        Fault(
            "studio.toml",
            "daemon: sandbox",
            f"is required, and this machine lacks {' and '.join(what)}",
            'run on a Linux kernel that has it, or write sandbox = "available" to go on with what there is',
        )
    ]


def insist(found: Found) -> None:
    """Raise StudioError where `lacking` finds a fault."""
    if faults := lacking(found):
        raise StudioError(faults)


def find(wanted: Sandbox, fork: Fork, base: Path) -> Found:
    """Try the layers, in children that `fork` starts below `base`. Raises MachineFault where the trial picture is not read even without."""
    missing: dict[Layer, str] = {}
    tried: list[tuple[Layer, ...]] = [()]
    if wanted != "off":
        missing = {layer: why for layer in LAYERS if (why := _absent(layer))}
        there = tuple(layer for layer in LAYERS if layer not in missing)
        tried += [(layer,) for layer in there] + ([there] if len(there) > 1 else [])
    with _folder(base) as folder:
        trial.prepare(folder)
        answers = _answers(fork, folder, tried)
    bare = answers.pop(())
    if bare:
        raise MachineFault(f"the trial picture cannot be read in a child, so no picture is begun: {bare}")
    missing |= {layers[0]: why for layers, why in answers.items() if len(layers) == 1 and why}
    good = tuple(layer for layer in LAYERS if (layer,) in answers and layer not in missing)
    trouble = ""
    if len(good) > 1 and (why := answers[good]):
        good, trouble = good[:1], f"not together with {good[0]}: {why}"
    abi = landlock.abi() if "landlock" in good else 0
    return Found(wanted, good, missing, trouble, abi)


@contextlib.contextmanager
def _folder(base: Path) -> Any:
    try:
        base.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryDirectory(prefix=TRIAL, dir=base, ignore_cleanup_errors=True) as folder:
            yield Path(folder).resolve()
    except OSError as error:
        raise MachineFault(f"the sandbox cannot be tried in {base}: {error}") from error


def _absent(layer: Layer) -> str:
    """Why the kernel cannot give a layer at all; empty where it says that it can."""
    try:
        landlock.abi() if layer == "landlock" else seccomp.machine()
    except OSError as error:
        return f"the kernel does not have it ({(error.strerror or str(error)).lower()})"
    return ""


def _answers(fork: Fork, base: Path, tried: Sequence[tuple[Layer, ...]]) -> dict[tuple[Layer, ...], str]:
    """For each set of layers what is wrong with it; empty where nothing is. All are tried at once."""
    folders = {layers: base / ("-".join(layers) or "none") for layers in tried}
    # all before the first child: a disk that fails here takes none's folder away
    for folder in folders.values():
        folder.mkdir(mode=0o700)
    running = {layers: fork(folder, layers) for layers, folder in folders.items()}
    return {layers: _wrong(folders[layers], child) for layers, child in running.items()}


def _wrong(folder: Path, child: Running) -> str:
    try:
        status = child.ended.result(timeout=ANSWER_S)
        answer: trial.Answer = json.loads(read_plain(folder / trial.ANSWER, 10_000))
    except TimeoutError:
        child.kill()
        return f"its trial did not end within {ANSWER_S:g} s"
    except (OSError, ValueError):
        said = tail(folder / LOG, 300).splitlines()[-1:]
        return f"its trial ended with code {status} and no answer" + "".join(f" ({line})" for line in said)
    if answer["enclosed"]:
        return f"it cannot be put up ({answer['enclosed'].lower()})"
    if answer["picture"]:
        return f"the trial picture cannot be read inside ({answer['picture']})"
    if answer["allowed"]:
        return f"inside, a process could still {' and '.join(answer['allowed'])}"
    return ""
