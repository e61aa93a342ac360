"""Telling the service manager how the daemon is: ready, alive, stopping, and a line for a person.

systemd's protocol, sd_notify(3): datagrams of NAME=value lines to the socket that NOTIFY_SOCKET names. Without that variable, as under launchd or in a
terminal, nothing is sent. A manager that cannot be reached never stops the daemon.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable, Mapping

PATIENCE_S = 0.2  #: with a manager that does not read; the next sign of life tries again


class Notifier:
    """Speaks to the manager named by `environment`. `beat` may be called as often as wanted: it sends twice within the manager's patience (WATCHDOG_USEC)."""

    def __init__(
        self,
        environment: Mapping[str, str] = os.environ,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._every_s = _watchdog_s(environment) / 2
        self._now, self._beat_at, self._said = now, 0.0, ""

    def ready(self) -> None:
        """Started, recovered, watching."""
        self._send("READY=1")

    def beat(self) -> None:
        """Still alive; where the manager asked to be told."""
        if self._every_s and self._now() >= self._beat_at:
            self._beat_at = self._now() + self._every_s
            self._send("WATCHDOG=1")

    def say(self, text: str) -> None:
        """A line for whoever asks the manager; sent when it is another one."""
        if text != self._said:
            self._said = text
            self._send(f"STATUS={' '.join(text.split())}")

    def stopping(self) -> None:
        """No new work; what is at work may take its time."""
        self._send("STOPPING=1")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
            to.settimeout(PATIENCE_S)
            to.sendto(message.encode(), self._address)


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """Seconds of silence after which the manager ends this very process; 0 where it does not watch."""
    microseconds, whose = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    meant = not whose or whose == str(os.getpid())
    return int(microseconds) / 1e6 if meant and microseconds.isdecimal() else 0.0
