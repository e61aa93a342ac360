"""A folder as another machine serves it: by SSH on loopback, mounted with FUSE. It can be lost, hang, go away and come back."""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil

PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
NEEDED = ("sshfs", "sshd", "ssh-keygen", "fusermount")
_CONFIG = """
Port {port}
ListenAddress 127.0.0.1
HostKey {folder}/host
AuthorizedKeysFile {folder}/person.pub
StrictModes no
UsePAM no
PidFile none
PermitRootLogin prohibit-password
Subsystem sftp internal-sftp
"""


def missing() -> str:
    """What this machine lacks to serve and mount a share."""
    absent = [name for name in NEEDED if not _found(name)]
    if absent:
        return f"{', '.join(absent)} (Debian: sshfs, openssh-server)"
    return "" if Path("/dev/fuse").exists() else "/dev/fuse"


def _found(name: str) -> str:
    return shutil.which(name, path=PATH) or ""


@dataclass
class Share:
    """`served` is the folder on the server, `mounted` where it is seen."""

    folder: Path
    served: Path
    mounted: Path
    port: int
    server: subprocess.Popen[bytes]

    def mount(self) -> None:
        """Raises CalledProcessError where it fails."""
        known = ["StrictHostKeyChecking=no", "UserKnownHostsFile=/dev/null", "LogLevel=ERROR"]
        options = ",".join([f"IdentityFile={self.folder}/person", *known])
        where = f"{getpass.getuser()}@127.0.0.1:{self.served}"
        command = [_found("sshfs"), "-p", str(self.port), "-o", options, where, str(self.mounted)]
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL, start_new_session=True, timeout=60)

    def unmount(self) -> None:
        """Whoever still looks in keeps what he has open; nothing is said where it is not mounted."""
        command = [_found("fusermount"), "-u", "-z", str(self.mounted)]
        subprocess.run(command, check=False, stderr=subprocess.DEVNULL)

    def lose(self) -> None:
        """The connection breaks: from now on every call says that the transport is not connected, until it is mounted anew."""
        self._tell(signal.SIGKILL)

    @contextlib.contextmanager
    def hanging(self) -> Iterator[None]:
        """The server does not answer: every call waits."""
        told = self._tell(signal.SIGSTOP)
        try:
            yield
        finally:
            for process in told:
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.send_signal(signal.SIGCONT)

    def _tell(self, number: signal.Signals) -> list[psutil.Process]:
        """Every session of the server."""
        sessions = psutil.Process(self.server.pid).children(recursive=True)
        for process in sessions:
            with contextlib.suppress(psutil.NoSuchProcess):
                process.send_signal(number)
        return sessions


@contextlib.contextmanager
def serving(folder: Path, served: Path, mounted: Path) -> Iterator[Share]:
    """A server of `served` and a mount of it; both end with the context. `folder`: for keys and settings."""
    for path in (folder, served, mounted):
        path.mkdir(parents=True, exist_ok=True)
    for name in ("host", "person"):
        command = [_found("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", "-f", str(folder / name)]
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    (folder / "settings").write_text(_CONFIG.format(port=port, folder=folder))
    if os.geteuid() == 0:
        # it wants an empty folder for its own confined part
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
    command = [_found("sshd"), "-D", "-f", str(folder / "settings"), "-E", str(folder / "log")]
    server = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    share = Share(folder, served, mounted, port, server)
    try:
        _wait_for(port)
        share.mount()
        yield share
    finally:
        share.lose()
        share.unmount()
        server.terminate()
        server.wait(timeout=30)


def _wait_for(port: int, within_s: float = 20.0) -> None:
    end = time.monotonic() + within_s
    while True:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        if time.monotonic() > end:
            raise TimeoutError("the server does not answer")
        time.sleep(0.05)
