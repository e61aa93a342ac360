"""Reading a profile that is named on the command line, with a plain word for every file that is none."""

from __future__ import annotations

from pathlib import Path

import click

from drydown.errors import NotFound
from drydown.showing import shown


def read_profile(path: Path) -> bytes:
    """The bytes of a profile. Raises NotFound, click.UsageError saying what the file is instead, OSError."""
    from drydown.imaging.icc import LIMIT_BYTES

    name = shown(str(path))
    if path.is_dir():
        raise click.UsageError(f"{name} is a folder; name one profile in it (.icc or .icm)")
    if not path.exists():
        raise NotFound(f"there is no profile {name}; name a file that ends in .icc or .icm")
    if not path.is_file():
        raise click.UsageError(f"{name} is no plain file; name a profile (.icc or .icm)")
    with path.open("rb") as file:
        data = file.read(LIMIT_BYTES + 1)
    if len(data) > LIMIT_BYTES:
        raise click.UsageError(
            f"{name} is larger than {LIMIT_BYTES >> 20} MB, and no profile is; name a profile (.icc or .icm)"
        )
    return data


def bad_profile(path: Path, reason: object) -> click.UsageError:
    """The error for bytes that are no profile that can be shown."""
    return click.UsageError(
        f"{shown(str(path))} cannot be shown: {reason}; name the profile of a printer, a screen or a working space"
    )
