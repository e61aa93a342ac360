"""A plugin belongs to whom the daemon belongs to: nobody else may be able to write one."""

from __future__ import annotations

import os
import shlex
import stat
from collections.abc import Iterable
from pathlib import Path

from drydown.errors import Fault, StudioError
from drydown.showing import shown


def refuse_others_hands(folder: Path, paths: Iterable[Path]) -> None:
    """A plugin does what the daemon may do, so nobody else may be able to write one: neither the files nor a new name in the folder.

    The folders above are not looked at: whoever may rename those has the studio as it is. Raises StudioError with every path.
    """
    faults = []
    for path in paths:
        found = path.stat()
        where = shown(path.relative_to(folder.parent).as_posix())
        if found.st_uid not in (os.geteuid(), 0):
            what = f"belongs to another user (number {found.st_uid}), who could change what the daemon does"
            faults.append(Fault(where, "", what, f"chown {os.geteuid()} {shown(shlex.quote(str(path)))}"))
        if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            what = f"can be written by others (mode {stat.S_IMODE(found.st_mode):04o}), who could change what the daemon does"
            faults.append(Fault(where, "", what, f"chmod go-w {shown(shlex.quote(str(path)))}"))
    if faults:
        raise StudioError(faults)
