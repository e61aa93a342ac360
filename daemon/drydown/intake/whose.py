"""Which studio watches: its root on its host, as another studio must know it apart.

A host is known by its machine ID, or by its name where it has none. Machines cloned with one ID need IDs of their own (machine-id(5)), and a
container without one needs a host name that stays.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import socket
from dataclasses import dataclass
from pathlib import Path

_MACHINE_IDS = (Path("/etc/machine-id"), Path("/var/lib/dbus/machine-id"))
_MACHINE_ID = re.compile(rb"[0-9a-f]{32}\n?")


@dataclass(frozen=True, slots=True)
class Studio:
    """`root`: real path of the studio. `host`: name of its host. `machine`: stands for the host's machine ID; empty where there is none."""

    root: str
    host: str
    machine: str = ""

    @classmethod
    def at(cls, root: Path) -> Studio:
        """The studio in this folder, on this host."""
        return cls(os.path.realpath(root), socket.gethostname(), _machine())

    def is_same(self, other: Studio) -> bool:
        """True when both are one and the same studio."""
        return self.root == other.root and self._is_same_host(other)

    def follows(self, other: Studio) -> bool:
        """True when `other` was on this very host, by ID and by name, and nothing of it is there any more: it was moved, or it is gone."""
        if self.host != other.host or not self._is_same_host(other):
            return False
        try:
            Path(other.root, "studio.toml").lstat()
        except (FileNotFoundError, NotADirectoryError):
            return True
        except OSError:
            return False  # nobody knows, so it is taken to be there
        return False

    def _is_same_host(self, other: Studio) -> bool:
        return (self.machine or self.host) == (other.machine or other.host)


def _machine() -> str:
    """What stands for the machine ID, which itself is nothing for others to read (machine-id(5)); empty where there is none."""
    for path in _MACHINE_IDS:
        with contextlib.suppress(OSError):
            found = path.read_bytes()
            if _MACHINE_ID.fullmatch(found):
                return hashlib.blake2b(found.strip(), person=b"drydown hot", digest_size=16).hexdigest()
    return ""
