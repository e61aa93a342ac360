"""Laying out the demonstration's studio: an invented photographer's files, a computed paper, hot folders ready to be dropped into."""

from __future__ import annotations

import secrets
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from drydown.errors import Conflict
from drydown.intake.folder import set_up
from drydown.studio.init import FOLDERS

HOT_FOLDERS = ("final", "small", "proof", "look")


def packaged() -> Traversable:
    """The scenario's files: inside the wheel, or `examples/shoreline` of a source checkout."""
    inside = files("drydown") / "_shoreline"
    if inside.is_dir():
        return inside
    return Path(__file__).parents[3] / "examples" / "shoreline"


def free_folder(wanted: Path) -> Path:
    """`wanted`, or the next name with a number that is not there yet: a demonstration overwrites nothing."""
    number, folder = 2, wanted
    while folder.exists() and any(folder.iterdir()):
        folder = wanted.with_name(f"{wanted.name}-{number}")
        number += 1
    return folder


def lay_out(root: Path, profile: bytes) -> None:
    """Write the scenario's studio into `root`. Raises Conflict where it holds something already, OSError."""
    if root.exists() and any(root.iterdir()):
        raise Conflict(f"{root} is not empty; choose another folder with --into")
    for name, mode in FOLDERS.items():
        (root / name).mkdir(mode=mode, parents=True, exist_ok=True)
    for name in ("stocks", "recipes", "profiles", "plugins"):
        (root / name).mkdir()
    _copy(packaged(), root)
    (root / "profiles" / "pearl.icc").write_bytes(profile)
    for name in HOT_FOLDERS:
        set_up(root / "hot" / name, secrets.token_hex(8))


def _copy(source: Traversable, to: Path) -> None:
    for item in source.iterdir():
        if item.is_dir():
            _copy(item, to / item.name)
        elif item.name.endswith(".toml"):
            to.mkdir(exist_ok=True)
            (to / item.name).write_bytes(item.read_bytes())
