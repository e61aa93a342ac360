"""On what kind of file system does a folder lie: one of this machine, or one that other machines write to?

It matters three times: a network file system reports no events of other machines, its time stamps are coarse and cached (so files
settle for longer), and the kernel's answer about other writers covers this machine only.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Literal

Kind = Literal["local", "network", "unknown"]

#: Types as /proc/self/mountinfo names them (proc_pid_mountinfo(5)); FUSE ones are judged by `_kind`. From memory of the Linux sources.
NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "virtiofs", "ceph", "afs", "ncpfs", "coda", "davfs"}
    | {"lustre", "gpfs", "beegfs", "orangefs", "pvfs2", "glusterfs", "ocfs2", "gfs", "gfs2"}
    | {"vboxsf", "vmhgfs", "prl_fs", "drvfs"}  # folders of the host in a virtual machine
)

_OCTAL = re.compile(rb"\\([0-7]{3})")


def fs_type(mountinfo: bytes, path: Path) -> str | None:
    """The file system type of an absolute path without links, by the text of /proc/self/mountinfo; None when no line fits.

    The deepest mount point wins, and among equals the last one, which hides the others.
    """
    wanted = os.fsencode(path)
    best: tuple[int, str] | None = None
    for line in mountinfo.splitlines():
        fields, dash, after = line.partition(b" - ")
        parts = fields.split(b" ")
        if not dash or len(parts) < 5:
            continue
        point = _OCTAL.sub(lambda found: bytes([int(found.group(1), 8) & 255]), parts[4])
        inside = wanted == point or wanted.startswith(point.rstrip(b"/") + b"/")
        if inside and (best is None or len(point) >= best[0]):
            best = len(point), after.split(b" ")[0].decode("ascii", "replace")
    return best[1] if best else None


def kind(path: Path) -> Kind:
    """The kind of file system below `path`; `unknown` where the system does not tell."""
    try:
        mountinfo = Path("/proc/self/mountinfo").read_bytes()
    except OSError:
        return "unknown"
    found = _kind(fs_type(mountinfo, path.absolute()))
    if found == "network":
        return found  # without following links: a server that is away would keep us waiting
    return _kind(fs_type(mountinfo, Path(os.path.realpath(path))))


def _kind(name: str | None) -> Kind:
    if name is None:
        return "unknown"
    if name in NETWORK_TYPES or (name.startswith("fuse.") or name == "fuse"):
        return "network"  # a FUSE file system may be anything; those for disks call themselves fuseblk
    return "local"
