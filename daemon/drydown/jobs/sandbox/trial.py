"""The trial: what a child that is enclosed tries, so that a layer is trusted for what it refuses and not for what it is called.

It reads a small computed picture through the real reader, imports something late, and then does what it must not be able to do. A picture
that cannot be read inside is a fault of the sandbox, found before the first photograph is blamed for it.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import socket
import struct
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final, TypedDict

from drydown.jobs.sandbox import landlock
from drydown.jobs.sandbox.walls import enclose

ANSWER: Final = "trial.json"
PICTURE: Final = "trial.tif"
OUTSIDE: Final = "outside.txt"
_WIDTH, _HEIGHT = 64, 48
_MOST_S: Final = 60
_NOBODY: Final = ("127.0.0.1", 9)  #: the discard port: whether anybody listens does not matter

#: What each layer must refuse, each in the words of a sentence about what could still be done.
MUST_REFUSE: Final[Mapping[str, tuple[str, ...]]] = {
    "landlock": ("write a file outside", "read a file outside", "remove a file outside", "start a program"),
    "seccomp": ("start a program", "start a process", "open a connection", "change a file's mode", "signal another process"),
}  # fmt: skip


class Answer(TypedDict):
    """What a trial found. `picture`: empty, or why it could not be read; `allowed`: forbidden things that went through."""

    layers: list[str]
    enclosed: str
    picture: str
    allowed: list[str]


def prepare(base: Path) -> None:
    """Lay out the picture, and the file outside that must stay as it is."""
    (base / PICTURE).write_bytes(picture_bytes())
    (base / OUTSIDE).write_bytes(b"stays")


def picture_bytes() -> bytes:
    """A TIFF of 16-bit RGB, uncompressed, in this machine's byte order: TIFF 6.0, sections 2 and 6."""
    order, shorts = ("<", "II") if sys.byteorder == "little" else (">", "MM")
    data = _codes()
    entries = (
        (256, 4, 1, _WIDTH), (257, 4, 1, _HEIGHT), (258, 3, 3, 8), (259, 3, 1, 1), (262, 3, 1, 2), (273, 4, 1, 14),
        (277, 3, 1, 3), (278, 4, 1, _HEIGHT), (279, 4, 1, len(data)),
    )  # fmt: skip
    head = struct.pack(f"{order}2sHI3H", shorts.encode(), 42, 14 + len(data), 16, 16, 16)
    table = struct.pack(f"{order}H", len(entries))
    for tag, kind, count, value in entries:
        as_value = f"{order}HHI" + ("HH" if kind == 3 and count == 1 else "I")
        table += struct.pack(as_value, tag, kind, count, value, *((0,) if as_value.endswith("HH") else ()))
    return head + data + table + struct.pack(f"{order}I", 0)


def _codes() -> bytes:
    values = [(1009 * n * n + 77 * n) & 0xFFFF for n in range(_WIDTH * _HEIGHT * 3)]
    return struct.pack(f"={len(values)}H", *values)


def run(folder: Path, base: Path, layers: list[str]) -> None:
    """In the child: enclose it, try, and leave the answer in `folder`."""
    signal.alarm(_MOST_S)  # whoever waits for it may be gone
    answer: Answer = {"layers": layers, "enclosed": "", "picture": "", "allowed": []}
    try:
        enclose(folder, [base / PICTURE], layers)
    except OSError as error:
        answer["enclosed"] = error.strerror or str(error)
    if not answer["enclosed"]:
        answer["picture"] = read_back(base / PICTURE, folder)
        answer["allowed"] = [what for what, attempt in attempts(folder, base, layers) if not refused(attempt)]
    (folder / ANSWER).write_text(json.dumps(answer), encoding="utf-8")


def read_back(picture: Path, folder: Path) -> str:
    """Import something late, read the trial picture: empty, or what went wrong."""
    from drydown.imaging.read import open_picture

    try:
        importlib.import_module("encodings.idna")  # nobody has needed it yet: late imports must work
        found = open_picture(
            picture, untagged="srgb", access="sequential", max_pixels=_WIDTH * _HEIGHT, scratch=folder
        )
        return "" if bytes(found.pixels.write_to_memory()) == _codes() else "it came out with other pixels"
    except Exception as error:
        return f"{type(error).__name__}: {error}"


def attempts(folder: Path, base: Path, layers: Sequence[str]) -> list[tuple[str, Callable[[], object]]]:
    """What these layers must refuse, each with a harmless way to try it from `folder` on what lies in `base`."""
    outside = base / OUTSIDE
    tries: dict[str, Callable[[], object]] = {
        "write a file outside": lambda: outside.write_bytes(b"changed"),
        "read a file outside": outside.read_bytes,
        "change a file's mode": lambda: outside.chmod(0o644),
        "start a program": lambda: _start(folder / "program"),
        "start a process": _fork,
        "open a connection": _connect,
        "signal another process": lambda: os.kill(os.getppid(), 0),
        "remove a file outside": outside.unlink,
    }
    wanted = {what for layer in layers for what in MUST_REFUSE[layer]}
    if "landlock" in layers and landlock.abi() >= landlock.NETWORK_ABI:
        wanted.add("open a connection")
    return [(what, attempt) for what, attempt in tries.items() if what in wanted]


def refused(attempt: Callable[[], object]) -> bool:
    """True where the kernel said no. Another error, such as nobody listening, means that it was let through."""
    try:
        attempt()
    except PermissionError:
        return True
    except OSError:
        return False
    return False


def _start(program: Path) -> None:
    """A program that is none: where starting is allowed the answer is 'exec format error', and we are still here."""
    os.close(os.open(program, os.O_WRONLY | os.O_CREAT, 0o700))
    os.execv(program, ["program"])  # noqa: S606 -- refused, or no program at all


def _fork() -> None:
    if os.fork() == 0:
        os._exit(0)
    with contextlib.suppress(ChildProcessError):
        os.wait()


def _connect() -> None:
    with socket.socket() as line:
        line.settimeout(1)
        line.connect(_NOBODY)
