"""Hot folders that another studio has, as `drydown check` tells them: nothing is written, and a share that is away keeps nobody waiting."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

from drydown.errors import Fault
from drydown.intake.folder import HotFolder
from drydown.intake.owner import refused
from drydown.intake.whose import Studio
from drydown.service.house import House
from drydown.showing import shown

ANSWER_S = 5.0  #: how long all folders together have to answer


def foreign(house: House, answer_s: float = ANSWER_S) -> list[Fault]:
    """What stands against using the studio's hot folders, in their order; also where that cannot be found out."""
    studio = Studio.at(house.places.root)
    found: dict[str, str] = {}

    def ask(name: str, path: Path) -> None:
        try:
            found[name] = refused(HotFolder(name, path, studio=studio))
        except OSError as error:
            found[name] = f"{shown(str(path))} cannot be read: {os.strerror(error.errno or 0)}"

    folders = {hot.name: hot.path for hot in house.studio.hot_folders}
    threads = [threading.Thread(target=ask, args=one, daemon=True) for one in folders.items()]
    for thread in threads:
        thread.start()
    end = time.monotonic() + answer_s
    for thread in threads:
        thread.join(max(0.0, end - time.monotonic()))
    silent = "{} does not answer: its file server may be away"
    whys = {name: found.get(name, silent.format(shown(str(path)))) for name, path in folders.items()}
    return [Fault("studio.toml", f"hot folder {name}", why) for name, why in whys.items() if why]
