"""The real program without its second of imports: one process imports all that commands import, and forks a child for each.

A child gets its own arguments, folder, environment and standard streams and then runs `drydown` as `python -m` does. The process evaluates no pixel,
for what has must not be forked. A command that wants a starter gets one that was forked in the same way, before the command had a second thread.
A daemon is a command that goes on while others are run; a starter of the tests' own can be forked too. What a plugin's author runs, pytest or a line
of Python, can be forked as well; the paper that it is tried on is then computed once for all.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import gc
import importlib
import json
import os
import pkgutil
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import IO, Any
from unittest import mock

import drydown
import drydown_steps
from drydown.demo import drive
from drydown.jobs import forks, starter
from drydown.testing import paper_profile

#: Commands that make nothing and want no starter. One that wanted it after all would get a fresh one.
_ASKS_ONLY = frozenset({"--help", "cancel", "choose", "jobs", "show", "steps", "tidy"})


class Warm:
    """The process that forks, seen from the tests. It ends with its tests, for it reads from a socket that ends with them."""

    def __init__(self) -> None:
        self._control, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", __file__, str(theirs.fileno())],
                pass_fds=(theirs.fileno(),),
                env=forks.child_environment(1) | _measured(),
                start_new_session=True,
            )
        self._answers = self._control.makefile("rb")
        self._turn = threading.Lock()  #: one order and its answer at a time
        atexit.register(self.close)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._control.shutdown(socket.SHUT_RDWR)
        self._process.wait()
        self._answers.close()
        self._control.close()

    def run(
        self, args: Sequence[str], *, timeout_s: float, folder: Path | None = None
    ) -> subprocess.CompletedProcess[str]:
        """`python -m drydown *args` in `folder`, or where this process is. Raises TimeoutExpired, having ended it."""
        return self.python(["-m", "drydown", *args], timeout_s=timeout_s, folder=folder)

    def python(
        self,
        words: Sequence[str],
        *,
        timeout_s: float,
        folder: Path | None = None,
        more: Mapping[str, str] = MappingProxyType({}),
    ) -> subprocess.CompletedProcess[str]:
        """`python *words`, which begin with `-m MODULE` or `-c CODE`; `more`: goes over the environment. Raises as `run` does."""
        with (
            self._turn,
            tempfile.TemporaryFile() as out,
            tempfile.TemporaryFile() as err,
            Path(os.devnull).open() as null,
        ):
            order = {
                "words": list(words),
                "cwd": str(folder or Path.cwd()),
                "env": {**os.environ, **more},
            }
            _send(self._control, order, [null.fileno(), out.fileno(), err.fileno()])
            pid = int(self._answers.readline())
            killer = threading.Timer(timeout_s, os.kill, (pid, signal.SIGKILL))
            killer.start()
            try:
                code = int(self._answers.readline())
            except BaseException:  # the test's own deadline: the next command must not hear of this one's end
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
                self._answers.readline()
                raise
            finally:
                killer.cancel()
            if code == -signal.SIGKILL:
                raise subprocess.TimeoutExpired(list(words), timeout_s)
            said = []
            for file in (out, err):
                file.seek(0)
                said.append(file.read().decode().replace("\r\n", "\n"))
            return subprocess.CompletedProcess(list(words), code, *said)

    def begin(
        self,
        command: Sequence[str],
        *,
        stdout: IO[bytes] | None = None,
        pass_fds: Sequence[int] = (),
        env: Mapping[str, str] | None = None,
        **given: Any,
    ) -> AtWork:
        """What `subprocess.Popen` does with a command of this interpreter, for a daemon or a starter: it goes on in a session of its own."""
        assert command[0] == sys.executable and given["start_new_session"]
        words = [word for word in command[1:] if word != "-P"]
        for number, fd in enumerate(pass_fds):
            words[words.index(str(fd))] = f"@{number}"
        order = {
            "words": words,
            "cwd": str(Path.cwd()),
            "env": dict(os.environ if env is None else env),
            "goes_on": True,
        }
        told = [1, 2] if stdout is None else [stdout.fileno()] * 2
        with self._turn, Path(os.devnull).open() as null:
            _send(self._control, order, [null.fileno(), *told, *pass_fds])
            return AtWork(self, int(self._answers.readline()))

    def ended(self, pid: int) -> int | None:
        """The exit code of one that was begun, told once; None while it goes on."""
        with self._turn:
            _send(self._control, {"ended": pid}, [])
            said = self._answers.readline()
        return int(said) if said.strip() else None


class _Process:
    """What is asked of a `subprocess.Popen`."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._lock = threading.Lock()

    def _ended(self) -> int | None:
        raise NotImplementedError

    def poll(self) -> int | None:
        with self._lock:
            if self.returncode is None:
                self.returncode = self._ended()
            return self.returncode

    def wait(self, timeout: float = 60) -> int:
        end = time.monotonic() + timeout
        while (code := self.poll()) is None:
            if time.monotonic() > end:
                raise subprocess.TimeoutExpired(str(self.pid), timeout)
            time.sleep(0.005)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class AtWork(_Process):
    """One that was begun and goes on, seen from the tests."""

    def __init__(self, warm: Warm, pid: int) -> None:
        super().__init__(pid)
        self._warm = warm

    def _ended(self) -> int | None:
        return self._warm.ended(self.pid)


@functools.cache
def warm() -> Warm:
    """The one of this worker."""
    return Warm()


def _measured() -> dict[str, str]:
    """What has a new interpreter measure its own coverage, where ours is."""
    return {name: value for name, value in os.environ.items() if name.startswith("COVERAGE_PROCESS")}


def _forked() -> SimpleNamespace:
    """A module `subprocess` of what is begun and goes on."""
    return SimpleNamespace(
        Popen=warm().begin, DEVNULL=subprocess.DEVNULL, TimeoutExpired=subprocess.TimeoutExpired
    )


@contextlib.contextmanager
def daemon(root: Path) -> Iterator[AtWork]:
    """As `drydown.demo.drive.daemon`, forked."""
    with mock.patch.object(drive, "subprocess", _forked()), drive.daemon(root) as process:
        yield process  # type: ignore[misc]


@contextlib.contextmanager
def starters() -> Iterator[None]:
    """Meanwhile the starters of this process are forked."""
    with mock.patch.object(forks, "subprocess", _forked()):
        yield


def _send(control: socket.socket, order: Mapping[str, Any], files: Sequence[int]) -> None:
    line = json.dumps(order).encode() + b"\n"
    sent = socket.send_fds(control, [line], files)
    if rest := line[sent:]:  # nothing may be sent to one who has read it all and closed
        control.sendall(rest)


def _receive(control: socket.socket) -> tuple[dict[str, Any], list[int]]:
    """The next order and its files; an empty one where nobody is left to order."""
    line, files, _, _ = socket.recv_fds(control, 1 << 16, 5)
    while line and not line.endswith(b"\n"):
        line += control.recv(1 << 16)
    return json.loads(line or b"{}"), files


def _import() -> None:
    """What commands and the children of jobs import."""
    for package in (drydown, drydown_steps):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if not module.name.endswith("__main__"):
                importlib.import_module(module.name)
    gc.collect()
    gc.freeze()


@functools.cache
def _import_for_authors() -> None:
    """What a plugin's tests import and compute, none of it from pixels."""
    importlib.import_module("pytest")
    paper_profile()


def _settle(env: Mapping[str, str]) -> None:
    os.environ.clear()
    os.environ.update(env)
    sys.dont_write_bytecode = bool(env.get("PYTHONDONTWRITEBYTECODE"))
    time.tzset()


class _Forked(_Process):
    """What `jobs.forks` asks of a process that it has started."""

    def _ended(self) -> int | None:
        pid, status = os.waitpid(self.pid, os.WNOHANG)
        return os.waitstatus_to_exitcode(status) if pid else None


def _starter_at_hand() -> None:
    """Have `jobs.forks` take a process that is forked here, where one thread is all there is, instead of a fresh interpreter."""
    ours, theirs = socket.socketpair()
    pid = os.fork()
    if pid == 0:
        ours.close()
        order, files = _receive(theirs)
        if order:
            theirs.close()
            os.setsid()
            _settle(order["env"])
            starter.main(*files)
        os._exit(0)
    theirs.close()
    at_hand = [_Forked(pid)]

    def begin(command: Sequence[str], **given: Any) -> _Forked | subprocess.Popen[bytes]:
        if not at_hand:
            return subprocess.Popen(command, **given)
        _send(ours, {"env": given["env"]}, [int(word) for word in command[-2:]])
        ours.close()
        return at_hand.pop()

    def not_wanted() -> None:
        if at_hand:
            ours.close()
            at_hand.pop().wait()

    forks.subprocess = SimpleNamespace(  # type: ignore[assignment]
        Popen=begin, DEVNULL=subprocess.DEVNULL, TimeoutExpired=subprocess.TimeoutExpired
    )
    atexit.register(not_wanted)


def _serve(control: socket.socket) -> list[str] | None:
    """Fork a child for each order and tell its exit code, of one that goes on when asked; Python's arguments in a child, nothing at the end."""
    while True:
        order, files = _receive(control)
        if not order:
            return None
        if "ended" in order:
            pid, status = os.waitpid(order["ended"], os.WNOHANG)
            control.sendall(b"%d\n" % os.waitstatus_to_exitcode(status) if pid else b"\n")
            continue
        words: list[str] = order["words"]
        if not (_is_command(words) or _is_starter(words)):
            _import_for_authors()
        pid = os.fork()
        if pid == 0:
            control.close()
            for number, file in enumerate(files[:3]):
                os.dup2(file, number)
                os.close(file)
            words = [str(files[3 + int(word[1:])]) if word.startswith("@") else word for word in words]
            os.chdir(order["cwd"])
            if "goes_on" in order:
                os.setsid()
            _settle(order["env"])
            if _is_command(words) and not _ASKS_ONLY.intersection(words):
                _starter_at_hand()
            return words
        for file in files:
            os.close(file)
        control.sendall(b"%d\n" % pid)
        if "goes_on" in order:
            continue
        _, status = os.waitpid(pid, 0)
        control.sendall(b"%d\n" % os.waitstatus_to_exitcode(status))


def _is_command(words: Sequence[str]) -> bool:
    return list(words[:2]) == ["-m", "drydown"]


def _is_starter(words: Sequence[str]) -> bool:
    return list(words[:2]) == ["-m", "drydown.jobs.starter"]


def _run(words: Sequence[str]) -> int:
    """`python *words`, to what an interpreter does at its end; only its modules are not taken apart, which takes longer than a command."""
    option, what, *args = words
    if _is_starter(words):
        starter.main(*map(int, args))
        return 0
    sys.argv = [option, *args]
    if not _is_command(
        words
    ):  # a command is looked at as it is installed, without the folder where it is called
        sys.path.insert(0, str(Path.cwd()))
    code: object = None
    try:
        if option == "-m":
            runpy.run_module(what, run_name="__main__", alter_sys=True)
        else:
            exec(compile(what, "<string>", "exec"), {"__name__": "__main__"})
    except SystemExit as end:
        code = end.code
    except BaseException:
        traceback.print_exc()
        code = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    return code if isinstance(code, int) else int(code is not None)


if __name__ == "__main__":
    _import()
    if (command := _serve(socket.socket(fileno=int(sys.argv[1])))) is not None:
        os._exit(_run(command))
