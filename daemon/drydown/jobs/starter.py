"""The starter: a process that has imported everything a child needs, evaluates no pixel, and forks a child for each attempt.

Forking after libvips has run hangs, after import only it does not; and a fork costs milliseconds where a fresh interpreter costs a fifth of a second.
Speaks JSON lines over one socket: `{"fork": …}` in, `{"started": …}` and `{"ended": …}` out. Run as `python -m drydown.jobs.starter`.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

from drydown.errors import MachineFault
from drydown.jobs.limits import Limits, end_with, settle_in, spare_files
from drydown.jobs.sandbox import trial
from drydown.jobs.sandbox.walls import enclose, foresee, reads_of


def main(control_fd: int, lifeline: int) -> None:
    """Serve until the daemon's socket closes."""
    control = socket.socket(fileno=control_fd)
    wake_read, wake_write = os.pipe()
    os.set_blocking(wake_read, False)
    os.set_blocking(wake_write, False)
    signal.set_wakeup_fd(wake_write, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    selector = selectors.DefaultSelector()
    selector.register(control, selectors.EVENT_READ)
    selector.register(wake_read, selectors.EVENT_READ)
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # the daemon has ended while we spoke
        _serve(control, selector, lifeline, (wake_read, wake_write))


def _serve(
    control: socket.socket, selector: selectors.BaseSelector, lifeline: int, wake: tuple[int, int]
) -> None:
    children: dict[int, str] = {}
    pending = b""
    while True:
        for key, _ in selector.select():
            if key.fileobj is control:
                data = control.recv(1 << 16)
                if not data:
                    return
                *lines, pending = (pending + data).split(b"\n")
                for line in lines:
                    order = json.loads(line)
                    if "preload" in order:
                        with _ending_with(lifeline):
                            failed = _preload(order["preload"])
                        _send(control, {"ready": failed})
                    elif "fork" in order:
                        pid = _fork(order["fork"], control, selector, lifeline, wake)
                        children[pid] = order["fork"]["ticket"]
                        _send(control, {"started": order["fork"]["ticket"], "pid": pid})
            else:
                with contextlib.suppress(BlockingIOError):
                    os.read(wake[0], 512)
                for pid, status in _reap():
                    ticket = children.pop(pid, "")
                    _send(control, {"ended": ticket, "status": os.waitstatus_to_exitcode(status)})


@contextlib.contextmanager
def _ending_with(lifeline: int) -> Iterator[None]:
    """Imports take a while on a busy machine: meanwhile a thread sees to it that we end with the daemon. It is gone before the first fork."""
    done, tell = os.pipe()

    def watch() -> None:
        if lifeline in wait([lifeline, done]):
            os._exit(0)

    thread = threading.Thread(target=watch, name="lifeline", daemon=True)
    thread.start()
    try:
        yield
    finally:
        os.close(tell)
        thread.join()
        os.close(done)


def _reap() -> list[tuple[int, int]]:
    ended: list[tuple[int, int]] = []
    while True:
        try:
            pid, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return ended
        if pid == 0:
            return ended
        ended.append((pid, status))


def _send(control: socket.socket, message: dict[str, Any]) -> None:
    control.sendall(json.dumps(message).encode() + b"\n")


def _preload(origins: list[dict[str, str]]) -> list[str]:
    """Import what children need; a plugin that fails here fails again, by name, in the child that needs it."""
    import numpy.ma  # libraries load these at their first use, which would be each child's
    import numpy.random  # noqa: F401

    import drydown.imaging.alpha
    import drydown.imaging.contours
    import drydown.imaging.convert
    import drydown.imaging.gamut_loss
    import drydown.imaging.guard
    import drydown.imaging.light
    import drydown.imaging.preview
    import drydown.imaging.read
    import drydown.imaging.resize
    import drydown.imaging.sharpen
    import drydown.imaging.sheets
    import drydown.imaging.slug
    import drydown.imaging.strip_plan
    import drydown.imaging.strip_scratch
    import drydown.imaging.strip_sheet
    import drydown.imaging.tone
    import drydown.imaging.tone_seen
    import drydown.imaging.write
    import drydown.jobs.child
    import drydown.jobs.seeing
    import drydown.jobs.ticket
    import drydown.pages.job_page  # noqa: F401
    from drydown.discovery import Origin, load
    from drydown.pages.render import warm

    warm()
    foresee()
    failed = []
    for origin in origins:
        try:
            load(Origin(**origin))
        except (Exception, SystemExit) as error:
            failed.append(f"{origin['offered_by']}: {error}")
    return failed


def _fork(
    order: dict[str, Any],
    control: socket.socket,
    selector: selectors.BaseSelector,
    lifeline: int,
    wake: tuple[int, int],
) -> int:
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        selector.close()
        control.close()
        for fd in wake:
            os.close(fd)
        settle_in(Path(order["folder"]), Limits(**order["limits"]))
        if "trial" in order:
            trial.run(Path(order["folder"]), Path(order["trial"]), order["layers"])
        else:
            _work(Path(order["folder"]), int(order["attempt"]), order["layers"], lifeline)
        code = 0
    except BaseException as error:  # whatever happens, this process must not go on as a second starter
        import traceback

        from drydown.errors import Exit, is_machines

        code = int(Exit.MACHINE) if is_machines(error) or isinstance(error, MachineFault) else 1

        with contextlib.suppress(BaseException):
            sys.stdout.flush()  # what a plugin printed comes before what ended it
            # without its own log, which a failing disk may keep it from, a child speaks on the daemon's standard error
            traceback.print_exception(error, limit=None if code == 1 else 0, chain=code == 1)
    finally:
        with contextlib.suppress(BaseException):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


def _work(folder: Path, number: int, layers: list[str], lifeline: int) -> None:
    from drydown.durable import write_atomic
    from drydown.jobs.child import RESULT, attempt
    from drydown.jobs.record import as_json
    from drydown.jobs.spec import JobSpec

    spec = JobSpec.model_validate(json.loads((folder / "spec.json").read_bytes()))
    try:
        enclose(folder, reads_of(spec), layers)
    except OSError as error:
        raise MachineFault(f"the sandbox cannot be put up: {error}") from error
    end_with(lifeline)
    result = attempt(spec, number, folder)
    spare_files()
    write_atomic(folder / RESULT, as_json(result).encode())


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
