"""What a program asked the kernel to do with files, in order: runs it under strace and reads what that wrote.

A `Call` is one system call that has ended, with every name in it as an absolute path. strace is a package of that name on every Linux distribution.
"""

from __future__ import annotations

import codecs
import functools
import os
import re
import shutil
import subprocess
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

CALLS = "rename,renameat,renameat2,fsync,fdatasync,mkdir,mkdirat,unlink,unlinkat,rmdir,write,pwrite64,writev,ftruncate,link,linkat"
_SHOWN_BYTES = 4096  #: of what is written: a page of the ledger

_LINE = re.compile(r"^(\d+) +(?:<\.\.\. (\w+) resumed>|(\w+)\()(.*)$", re.DOTALL)
_RESULT = re.compile(r"\)\s+= (-?\d+)(?: (E[A-Z0-9]+) \([^)]*\))?$")
#: A path in quotes after an open folder, a path in quotes alone, or an open file: strace's `-y` names what a descriptor is.
_NAME = re.compile(
    r'(?:(?:AT_FDCWD|\d+)<((?:[^>\\]|\\.)*)>, )?"((?:[^"\\]|\\.)*)"(\.\.\.)?|\d+<((?:[^>\\]|\\.)*)>'
)


@dataclass(frozen=True, slots=True)
class Call:
    """`paths`: what it names, the descriptor's own file for calls that take one. `text`: what it wrote, as Latin-1. `error`: empty, or such as `EIO`."""

    line: int
    thread: int
    name: str
    paths: tuple[str, ...]
    text: str = ""
    flags: str = ""
    error: str = ""


def missing() -> str:
    """What keeps this machine from tracing, in words; empty when it can."""
    if shutil.which("strace") is None:
        return "strace is not installed (the package of that name)"
    tried = subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, text=True)
    return "" if tried.returncode == 0 else f"strace may not trace here: {tried.stderr.strip()[:120]}"


def traced(command: Sequence[str], trace: Path, *, timeout_s: float) -> int:
    """Run a command and all its children under strace; what they did stands in the file `trace` afterwards. Answers the exit code."""
    strace = ["strace", "-f", "-y", "-s", str(_SHOWN_BYTES), "-e", f"trace={CALLS}", "-o", str(trace)]
    return subprocess.run([*strace, *command], timeout=timeout_s).returncode


def calls(lines: Iterable[str]) -> Iterator[Call]:
    """The calls in a trace, each where it ended; those cut off by the end of their process are left out."""
    begun: dict[int, tuple[str, str]] = {}
    for number, line in enumerate(lines, start=1):
        found = _LINE.match(line.rstrip("\n"))
        if found is None:
            continue
        thread, name, rest = int(found[1]), found[2] or found[3], found[4]
        if found[2]:
            rest = begun.pop(thread, ("", ""))[1] + rest
        if rest.endswith("<unfinished ...>"):
            begun[thread] = name, rest.removesuffix("<unfinished ...>").rstrip()
            continue
        if result := _RESULT.search(rest):
            yield _call(number, thread, name, rest[: result.start()], result[2] or "")


def _call(line: int, thread: int, name: str, arguments: str, error: str) -> Call:
    paths, text = _named(name, arguments)
    return Call(line, thread, name, paths, text, arguments.rpartition(", ")[2], error)


@functools.lru_cache(maxsize=4096)  # a trace is read again and again, each time with another line changed
def _named(name: str, arguments: str) -> tuple[tuple[str, ...], str]:
    """The paths that a call names, and what it writes."""
    paths, text = list[str](), ""
    for found in _NAME.finditer(arguments):
        folder, quoted, _, opened = found.groups()
        if opened is not None:
            paths.append(_plain(opened))
        elif name in ("write", "pwrite64", "writev"):
            paths += [_plain(folder)] if folder else []
            text += _plain(quoted)
        else:
            paths.append(
                os.path.normpath(f"{_plain(folder)}/{_plain(quoted)}")
                if folder and not quoted.startswith("/")
                else _plain(quoted)
            )
    return tuple(paths), text


def _plain(escaped: str) -> str:
    """strace's octal and C escapes undone."""
    return codecs.escape_decode(escaped.encode("latin-1", "backslashreplace"))[0].decode("latin-1")  # type: ignore[attr-defined]
