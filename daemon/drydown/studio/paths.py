"""Settings that name a file: below the studio as written, absolute in a job, and there before the first sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from drydown.api import Settings
from drydown.errors import Fault

S = TypeVar("S", bound=Settings)


def missing_files(settings: Settings, root: Path, *, file: str, place: str) -> list[Fault]:
    """A fault for each setting that is a `Path` and leads to no file. A step only reads, so a path of its settings is one to read."""
    return [
        Fault(file, f"{place}: {key}", f"{value} is missing", "paths are below the studio, or absolute")
        for key, value in settings
        if isinstance(value, Path) and not (root / value).is_file()
    ]


def made_absolute(settings: S, root: Path) -> S:
    """The same settings with every `Path` absolute: a job does not run in the studio's folder."""
    paths = {key: root / value for key, value in settings if isinstance(value, Path)}
    return settings.model_copy(update=paths) if paths else settings
