"""The daemon's side of the starter: start it, ask it for children, hear of their ends, replace it when plugins change.

Children end with this process by a pipe: they read its one end, only we hold the other, and a kernel closes it however we end.
A child that does not hear of it, because it is stopped for instance, the kernel ends with the starter, and we with its group.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import asdict, dataclass, field
from pathlib import Path

from drydown.discovery import Origin
from drydown.errors import DrydownError, MachineFault
from drydown.jobs.limits import Limits
from drydown.jobs.sandbox.found import ANSWER_S, Found, Sandbox, find

#: what a child may see of our environment
KEPT = ("PATH", "LANG", "LC_ALL", "LC_CTYPE", "TZ", "PYTHONPATH", "LD_LIBRARY_PATH", "VIRTUAL_ENV")
_GONE = "the starter process ended; the job is taken up again"


def child_environment(cores: int, environment: Mapping[str, str] = os.environ) -> dict[str, str]:
    """A scrubbed environment: untrusted loaders off, one allocator arena for two threads, no thread pools of array libraries."""
    kept = {key: environment[key] for key in KEPT if key in environment}
    return kept | {
        "VIPS_BLOCK_UNTRUSTED": "1",
        "VIPS_CONCURRENCY": str(max(1, cores)),
        "MALLOC_ARENA_MAX": "2",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "MPLBACKEND": "agg",
    }


@dataclass
class Child:
    """A child at work: `started` gets its process id, `ended` its exit code (negative: a signal)."""

    started: Future[int] = field(default_factory=Future)
    ended: Future[int] = field(default_factory=Future)

    def ask_to_end(self) -> None:
        """Ask the child's group to end; the child first writes into its log where it is."""
        self._signal(signal.SIGTERM)

    def kill(self) -> None:
        """End the child's whole group; it made itself the leader of its own session."""
        self._signal(signal.SIGKILL)

    def _signal(self, number: signal.Signals) -> None:
        if self.started.done() and not self.started.exception():
            pid = self.started.result()
            for end in (os.killpg, os.kill):  # before it has its own session there is no group of that number
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    end(pid, number)


class _Process:
    """One starter process and its children."""

    def __init__(self, preload: Sequence[Origin], cores: int) -> None:
        self.children: dict[str, Child] = {}
        self.retired = False
        self._lock = threading.Lock()
        self._socket, theirs = socket.socketpair()
        lifeline, self._lifeline = os.pipe()  # our end is not inherited by anybody
        try:
            self._popen = subprocess.Popen(
                [sys.executable, "-P", "-m", "drydown.jobs.starter", str(theirs.fileno()), str(lifeline)],
                pass_fds=(theirs.fileno(), lifeline),
                stdin=subprocess.DEVNULL,
                env=child_environment(cores),
                start_new_session=True,  # an interrupt from the keyboard is ours to handle
            )
        except OSError as error:
            self._socket.close()
            os.close(self._lifeline)
            raise MachineFault(f"the starter process cannot be started: {error}") from error
        finally:
            theirs.close()
            os.close(lifeline)
        self._send({"preload": [asdict(origin) for origin in preload]})
        self._listener = threading.Thread(target=self._listen, name="starter", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int:
        return self._popen.pid

    def alive(self) -> bool:
        return self._popen.poll() is None

    def fork(self, ticket: str, order: dict[str, object]) -> Child:
        child = Child()
        with self._lock:
            self.children[ticket] = child
        try:
            self._send({"fork": order})
        except OSError as error:
            self.children.pop(ticket, None)
            raise MachineFault(f"{_GONE} ({error})") from error
        return child

    def retire(self) -> None:
        """No more forks; it ends when its last child has."""
        with self._lock:
            self.retired = True
            idle = not self.children
        if idle:
            self.close()

    def close(self) -> None:
        """End it and every child of it, whether it listens or not."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(
                socket.SHUT_RDWR
            )  # the listener still holds the descriptor: closing it alone ends nothing
        self._socket.close()
        if self._lifeline >= 0:
            os.close(self._lifeline)
            self._lifeline = -1
        self._listener.join(timeout=5)  # it ends those that the lifeline did not reach
        try:
            self._popen.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._popen.kill()
            self._popen.wait()

    def _send(self, message: dict[str, object]) -> None:
        self._socket.sendall(json.dumps(message).encode() + b"\n")

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError), self._socket.makefile("rb") as lines:
            for line in lines:
                message = json.loads(line)
                if (child := self.children.get(message.get("started", ""))) is not None:
                    child.started.set_result(message["pid"])
                elif (ended := message.get("ended", "")) in self.children:
                    self._ended(ended, message["status"])
        with self._lock:
            left, self.children = list(self.children.values()), {}
        for child in left:
            child.kill()  # with its group: the kernel ends the children of a starter, but not what they have started
            for future in (child.started, child.ended):
                if not future.done():
                    future.set_exception(MachineFault(_GONE))

    def _ended(self, ticket: str, status: int) -> None:
        with self._lock:
            child = self.children.pop(ticket)
            over = self.retired and not self.children
        child.ended.set_result(status)
        if over:
            threading.Thread(target=self.close, daemon=True).start()


class Starter:
    """The current starter process; safe to use from several threads. Started at first use, and again when it has died.

    `sandbox`: what the studio asks for. It is tried once, in `scratch`, before the first child.
    """

    def __init__(
        self,
        preload: Sequence[Origin],
        *,
        cores: int,
        sandbox: Sandbox = "available",
        scratch: Path | None = None,
    ) -> None:
        self._preload, self._cores, self._wanted = tuple(preload), cores, sandbox
        self._scratch = scratch or Path(tempfile.gettempdir())
        self._lock, self._trying = threading.Lock(), threading.Lock()
        self._process: _Process | None = None
        self._closed = False
        self.found: Found | None = None  #: what the sandbox is worth, once that is known

    def fork(self, ticket: str, folder: Path, number: int, limits: Limits) -> Child:
        """Start a child, enclosed. Raises MachineFault where that cannot be done."""
        layers = list(self.sandbox().layers)
        order = {"ticket": ticket, "folder": str(folder), "attempt": number, "limits": asdict(limits)}
        return self._current().fork(ticket, order | {"layers": layers})

    def sandbox(self) -> Found:
        """What children are enclosed by; the first to ask waits for the trial. Raises as `fork` does."""
        with self._trying:
            if self.found is None:
                self.found = find(self._wanted, self._try, self._scratch)
            return self.found

    def _try(self, folder: Path, layers: Sequence[str]) -> Child:
        limits = Limits(memory_mb=1024, cpu_s=int(ANSWER_S), file_mb=16)
        ticket = str(folder)
        order: dict[str, object] = {"ticket": ticket, "folder": str(folder), "limits": asdict(limits)}
        order |= {"layers": list(layers), "trial": str(folder.parent)}
        return self._current().fork(ticket, order)

    def warm(self) -> None:
        """Start and try the sandbox now rather than at the first job, in the background."""
        self._current()
        threading.Thread(target=self._warm, name="sandbox", daemon=True).start()

    def _warm(self) -> None:
        with contextlib.suppress(DrydownError):  # the first job meets it again, and says it
            self.sandbox()

    def replace(self, preload: Sequence[Origin]) -> None:
        """A plugin has changed: the next child comes from a new process; those at work stay with theirs until they end."""
        with self._lock:
            self._preload = tuple(preload)
            old, self._process = self._process, None
        if old is not None:
            old.retire()

    def close(self) -> None:
        """End the starter and every child."""
        with self._lock:
            process, self._process, self._closed = self._process, None, True
        if process is not None:
            process.close()

    @property
    def pid(self) -> int | None:
        """Process id of the starter, for show."""
        return self._process.pid if self._process else None

    def _current(self) -> _Process:
        with self._lock:
            if self._closed:
                raise MachineFault("the program is ending; the job is taken up again")
            if self._process is not None and not self._process.alive():
                self._process.close()
                self._process = None
            if self._process is None:
                self._process = _Process(self._preload, self._cores)
            return self._process
