"""Requests to a running daemon, as files: what a command asks while the daemon owns the ledger, and the daemon's answer.

A request is written aside, synced and renamed, like a dropped picture. The daemon takes it by renaming it, does it, answers, removes it.
A crash in between never repeats it (that could print twice): at the next start a taken request is answered with "look what became
of it". One that nobody took in its time is void, so nothing old springs to life. This module knows no ledger: it moves words.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drydown import durable
from drydown.errors import Exit, MachineFault

REQUEST_VERSION = 1
BYTES_MAX = 1 << 20  #: of one request: a folder of some thousand long paths
ANSWER_KEPT_S = 3600.0
DEADLINE_S = 30.0
POLL_S = 0.05

#: verb -> argument -> its type, and whether it must be there. `list` is a list of texts, `dict` one of plain values.
VERBS: Mapping[str, Mapping[str, tuple[type, bool]]] = {
    "run": {
        "recipe": (str, True),
        "files": (list, True),
        "sheet_maker": (str, False),
        "sheet": (str, False),
        "anyway": (bool, False),
        "stem": (str, False),
    },
    "retry": {"job": (str, True), "anyway": (bool, False)},
    "cancel": {"job": (str, True)},
    "approve": {"job": (str, True)},
    "choose": {
        "job": (str, True),
        "patches": (list, False),
        "said": (str, False),
        "settings": (dict, False),
        "unset": (list, False),
        "typed": (list, False),
        "ranked": (bool, False),
        "still_off": (bool, False),
        "keep": (bool, False),
        "picture": (bool, False),
        "anyway": (bool, False),
        "light": (str, False),
        "printed": (str, False),
        "undo": (bool, False),
    },
    "strip": {"jobs": (list, True), "next": (bool, False), "points": (str, False), "sheet": (str, False)},
    "reprint": {"job": (str, True), "anyway": (bool, False)},
    "verified": {"stock": (str, True), "report": (str, True)},
    "tidy": {"days": (int, False)},
}

_WAITS, _TAKEN, _ANSWER = ".json", ".taken.json", ".answer.json"
_ID = re.compile(r"[0-9a-z]{8,40}")


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody asks. Times are seconds since 1970."""

    id: str
    verb: str
    args: Mapping[str, Any]
    made: float
    expires: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of it: an exit code of the command line, a sentence for a person, and plain values for a program."""

    exit: Exit
    message: str = ""
    data: Mapping[str, Any] | None = None


class BadRequest(ValueError):
    """A request that says what it should not."""


# the asking side


def ask(
    folder: Path, verb: str, args: Mapping[str, Any], *, now: float, deadline_s: float = DEADLINE_S
) -> str:
    """Leave a request; answers its name. Raises BadRequest for one that the daemon would not understand, OSError."""
    name = f"{int(now * 1000):011x}{secrets.token_hex(4)}"
    data = {
        "request": REQUEST_VERSION,
        "verb": verb,
        "args": {key: value for key, value in args.items() if value is not None},
        "made": now,
        "expires": now + deadline_s,
    }
    text = json.dumps(data, ensure_ascii=True).encode(
        "ascii"
    )  # lone surrogates, so names that are no text, survive
    _parsed(name, text)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    durable.write_atomic(folder / f"{name}{_WAITS}", text, mode=0o600)
    return name


def follow(
    folder: Path,
    name: str,
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    deadline_s: float = DEADLINE_S,
) -> Answer:
    """Wait for the answer and take it away. `clock` is monotonic. Raises MachineFault when none comes in time.

    A request that the daemon has not taken by then is withdrawn; one that it has taken may still be done, and the text says so.
    """
    end = clock() + deadline_s
    while True:
        answer = _read_answer(folder / f"{name}{_ANSWER}")
        if answer is not None:
            with contextlib.suppress(OSError):
                (folder / f"{name}{_ANSWER}").unlink()
            return answer
        if clock() >= end:
            break
        sleep(POLL_S)
    try:
        (folder / f"{name}{_WAITS}").unlink()
    except FileNotFoundError:
        raise MachineFault(
            f"the daemon took the request and has not answered within {deadline_s:g} s; `drydown jobs` shows what became of it"
        ) from None
    raise MachineFault(
        f"no daemon took the request within {deadline_s:g} s, so it was withdrawn; is `drydown watch` running?"
    )


# the answering side


def waiting(folder: Path) -> list[str]:
    """Names of requests that wait, oldest first."""
    return sorted(name.removesuffix(_WAITS) for name in _names(folder) if _is(name, _WAITS))


def take(folder: Path, name: str, *, now: float) -> Request | None:
    """Take a request; None when it is gone, void, or was answered here because it cannot be understood. Raises OSError."""
    path, taken = folder / f"{name}{_WAITS}", folder / f"{name}{_TAKEN}"
    try:
        durable.rename_durable(path, taken)
    except FileNotFoundError:
        return None  # withdrawn
    try:
        request = _parsed(name, _content(taken))
    except (BadRequest, OSError) as error:
        answer(folder, name, Answer(Exit.USAGE, f"the request cannot be understood: {error}"))
        return None
    if now > request.expires:
        answer(folder, name, Answer(Exit.BUSY, "nobody took the request in its time; ask again"))
        return None
    return request


def answer(folder: Path, name: str, given: Answer) -> None:
    """Answer a taken request and remove it. Raises OSError."""
    data = {
        "answer": REQUEST_VERSION,
        "exit": int(given.exit),
        "message": given.message,
        "data": dict(given.data or {}),
    }
    text = json.dumps(data, ensure_ascii=True, default=str).encode("ascii")
    durable.write_atomic(folder / f"{name}{_ANSWER}", text, mode=0o600)
    durable.unlink_durable(folder / f"{name}{_TAKEN}")


def recover(folder: Path) -> int:
    """At start: requests that were taken and not answered before the daemon ended are answered, never repeated. How many there were."""
    cut_short = [name.removesuffix(_TAKEN) for name in _names(folder) if _is(name, _TAKEN)]
    for name in cut_short:
        if _read_answer(folder / f"{name}{_ANSWER}") is None:
            message = "the daemon ended while it did this; `drydown jobs` shows what became of it"
            answer(folder, name, Answer(Exit.MACHINE, message))
        else:
            durable.unlink_durable(folder / f"{name}{_TAKEN}")
    return len(cut_short)


def clean(folder: Path, *, now: float) -> int:
    """Remove what nobody will fetch any more: answers and half-written files older than an hour. How many were removed."""
    removed = 0
    for name in _names(folder):
        if not (_is(name, _ANSWER) or durable.is_unfinished(name)):
            continue
        with contextlib.suppress(OSError):
            age = now - (folder / name).lstat().st_mtime
            if abs(age) > ANSWER_KEPT_S:
                (folder / name).unlink()
                removed += 1
    return removed


# how


def _parsed(name: str, text: bytes) -> Request:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadRequest(f"it is no JSON ({error})") from error
    if len(text) > BYTES_MAX:
        raise BadRequest(f"it is longer than {BYTES_MAX} bytes; ask in several parts")
    if not isinstance(data, dict) or set(data) != {"request", "verb", "args", "made", "expires"}:
        raise BadRequest("it does not have the parts request, verb, args, made and expires")
    if data["request"] != REQUEST_VERSION:
        raise BadRequest(
            f"it is of version {data['request']!r}, this daemon knows {REQUEST_VERSION}; stop the daemon and start the new one"
        )
    made, expires = data["made"], data["expires"]
    if not all(isinstance(time, int | float) and not isinstance(time, bool) for time in (made, expires)):
        raise BadRequest("its times are no numbers")
    verb, args = data["verb"], data["args"]
    if not isinstance(verb, str) or verb not in VERBS:
        raise BadRequest(f"there is no request {verb!r}; there are {', '.join(VERBS)}")
    if not isinstance(args, dict):
        raise BadRequest("its arguments are no table")
    _check_args(verb, args)
    try:
        return Request(name, verb, args, float(made), float(expires))
    except OverflowError:
        raise BadRequest("its times are beyond all time") from None


def _check_args(verb: str, args: Mapping[str, Any]) -> None:
    known = VERBS[verb]
    for key, value in args.items():
        if key not in known:
            raise BadRequest(f"'{verb}' knows no argument {key!r}; it knows {', '.join(known)}")
        wanted = known[key][0]
        if type(value) is not wanted:
            raise BadRequest(f"'{key}' of '{verb}' must be a {wanted.__name__}, not {type(value).__name__}")
        if isinstance(value, list) and not all(isinstance(part, str) for part in value):
            raise BadRequest(f"'{key}' of '{verb}' must hold texts only")
        if isinstance(value, dict) and not all(
            isinstance(part, bool | int | float | str) for part in value.values()
        ):
            raise BadRequest(f"'{key}' of '{verb}' must hold plain values only")
    missing = [key for key, (_, required) in known.items() if required and key not in args]
    if missing:
        raise BadRequest(f"'{verb}' needs {' and '.join(missing)}")


def _read_answer(path: Path) -> Answer | None:
    try:
        data = json.loads(_content(path))
        return Answer(Exit(data["exit"]), str(data["message"]), dict(data["data"]))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _content(path: Path) -> bytes:
    """The content of a plain file of at most BYTES_MAX bytes. Raises OSError, BadRequest."""
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            raise BadRequest("it is no plain file")
        if found.st_size > BYTES_MAX:
            raise BadRequest(f"it is longer than {BYTES_MAX} bytes")
        data = b""
        while part := os.read(fd, BYTES_MAX + 1 - len(data)):
            data += part
        return data
    finally:
        os.close(fd)


def _names(folder: Path) -> list[str]:
    """Names of the plain files in the folder."""
    try:
        return sorted(path.name for path in folder.iterdir() if path.is_file() and not path.is_symlink())
    except FileNotFoundError:
        return []


def _is(name: str, suffix: str) -> bool:
    return name.endswith(suffix) and _ID.fullmatch(name.removesuffix(suffix)) is not None
