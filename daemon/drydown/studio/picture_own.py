"""Writing a picture's own settings: `NAME.toml`, which waits in a hot folder for the picture that it belongs to.

A file of that name that a person wrote is never touched: it is theirs, comments and all.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from drydown import durable
from drydown.api import Value
from drydown.errors import Conflict, Fault
from drydown.studio.toml_file import read_toml

_FIRST = "# Written by drydown for one picture: laid over its recipe."
_HEAD = """\
{first} {why}
# It waits here for {picture}, and is taken together with it.

"""


def write_picture_own(path: Path, values: Mapping[str, Value], *, picture: str, why: str) -> None:
    """Write `values` (`balance.magenta` -> 5.0) as `[balance]` tables, together with what the program wrote there before.

    `picture` and `why` are for the comment. Raises Conflict where a person has written a file of that name, OSError.
    """
    import tomli_w

    tables = _before(path)
    for key, value in values.items():
        name, _, setting = key.partition(".")
        tables.setdefault(name, {})[setting] = value
    head = _HEAD.format(first=_FIRST, why=why, picture=picture)
    durable.write_atomic(path, (head + tomli_w.dumps(tables)).encode())


def _before(path: Path) -> dict[str, dict[str, Value]]:
    if not path.exists():
        return {}
    found = read_toml(path, path.name)
    ours = path.read_text(encoding="utf-8", errors="replace").startswith(_FIRST)
    if isinstance(found, Fault) or not ours or not all(isinstance(table, dict) for table in found.values()):
        raise Conflict(
            f"{path.name} is there already, and drydown did not write it. Move it away, or write the values into it by hand."
        )
    return found
