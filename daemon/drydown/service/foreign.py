"""Hot folders that cannot be used as they are, as `drydown check` tells them: another studio has them, or they are not what was set up.

Nothing is written, and a share that is away keeps nobody waiting.
"""

from __future__ import annotations

import os
import shlex
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path

from drydown.errors import Fault
from drydown.intake.folder import TAKEN, HotFolder
from drydown.intake.owner import has_owners, refused
from drydown.intake.whose import Studio
from drydown.service import identities
from drydown.service.house import House
from drydown.showing import shown
from drydown.studio.advice import Advice

ANSWER_S = 5.0  #: how long all folders together have to answer


def foreign(house: House, answer_s: float = ANSWER_S) -> list[Fault]:
    """What stands against using the studio's hot folders, in their order; also where that cannot be found out."""
    studio = Studio.at(house.places.root)
    known = identities.known(house.places.ledger, {hot.name: hot.path for hot in house.studio.hot_folders})

    def against(name: str, path: Path) -> str:
        folder = HotFolder(name, path, identities.marked(known.get(name, "")), studio)
        try:
            return refused(folder, known=bool(known.get(name)))
        except OSError as error:
            return f"{shown(str(path))} cannot be read: {os.strerror(error.errno or 0)}"

    found = _asked(house, against, answer_s)
    silent = "{} does not answer: its file server may be away"
    whys = {
        hot.name: found.get(hot.name, silent.format(shown(str(hot.path)))) for hot in house.studio.hot_folders
    }
    return [Fault("studio.toml", _place(name), why) for name, why in whys.items() if why]


def open_to_others(house: House, answer_s: float = ANSWER_S) -> list[Advice]:
    """Hot folders in which other users may rename what is ours; not where that cannot be found out."""
    found = _asked(house, _renamed_by_others, answer_s)
    return [Advice(f"studio.toml: {_place(name)}", text) for name, text in found.items() if text]


def _renamed_by_others(_: str, path: Path) -> str:
    try:
        found = path.stat()
        if not has_owners(path):
            return ""
    except OSError:
        return ""
    by_group = found.st_mode & stat.S_IWGRP and found.st_gid != os.getegid()  # ours is often of one user
    if found.st_mode & stat.S_ISVTX or not (by_group or found.st_mode & stat.S_IWOTH):
        return ""
    typed = shown(shlex.quote(str(path)))
    # below the sticky bit only the folder's owner may take what others have dropped
    own = "" if found.st_uid == os.geteuid() else f"chown {os.geteuid()} {typed} && "
    mode = f"{stat.S_IMODE(found.st_mode):04o}"
    return f"can be written by others (mode {mode}), who could put a {TAKEN} of their own in the place of ours; {own}chmod +t {typed}"


def _place(name: str) -> str:
    return f"hot folder {name}"


def _asked(house: House, question: Callable[[str, Path], str], answer_s: float) -> dict[str, str]:
    """What is answered in time, in the order of the folders. Each is asked by a thread of its own, which a dead share may keep for good."""
    found: dict[str, str] = {}

    def ask(name: str, path: Path) -> None:
        found[name] = question(name, path)

    folders = [(hot.name, hot.path) for hot in house.studio.hot_folders]
    threads = [threading.Thread(target=ask, args=one, daemon=True) for one in folders]
    for thread in threads:
        thread.start()
    end = time.monotonic() + answer_s
    for thread in threads:
        thread.join(max(0.0, end - time.monotonic()))
    return {name: found[name] for name, _ in folders if name in found}
