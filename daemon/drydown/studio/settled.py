"""`recipes/NAME.settled.toml`: what proofing has taught, laid over the hand-written recipe and never mixed with it.

The file belongs to the program. It remembers which paper, ink and driver settings the values were judged on, because on others they are a guess.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from drydown import durable
from drydown.api import Value
from drydown.errors import Conflict, Fault
from drydown.studio.base import FileModel
from drydown.studio.faults import validate
from drydown.studio.stock import StockFile
from drydown.studio.toml_file import read_toml

SETTLED_VERSION: Literal[1] = 1
SUFFIX = ".settled.toml"

#: The ticket keys that decide what ink falls on what paper. Tray, size name and placement do not: another tray leaves a print's colour alone.
INK_KEYS = (
    "printer",
    "media_type",
    "media_name_in_driver",
    "printable_side",
    "quality",
    "resolution",
    "direction",
    "black_ink",
    "platen",
    "driver_colour",
)

_HEAD = """\
# Written by drydown when a patch is chosen. Laid over recipes/{recipe}.toml, which stays as you wrote it.
# To go back to the bare recipe, move this file away; to change a value for good, write it into the recipe.

"""


class StockPrint(FileModel):
    """What a print's colour hangs on: profile, lot and the driver settings that decide the ink."""

    name: str
    profile_blake3: str
    lot: str = ""
    ticket: dict[str, str] = Field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """Sixteen hexadecimal digits, the same for the same paper, ink and driver settings whatever the stock is called."""
        from blake3 import blake3

        told = json.dumps([self.profile_blake3, self.lot, sorted(self.ticket.items())], ensure_ascii=False)
        return blake3(told.encode()).hexdigest()[:16]

    def differences(self, now: StockPrint) -> list[str]:
        """In words, what has changed from this to `now`; empty where nothing has that decides the colour."""
        changed = []
        if self.profile_blake3 != now.profile_blake3:
            changed.append("the profile has changed")
        if self.lot != now.lot:
            changed.append(f"settled on lot {self.lot or 'not stated'}, now {now.lot or 'not stated'}")
        for key in INK_KEYS:
            then, here = self.ticket.get(key, ""), now.ticket.get(key, "")
            if then != here:
                changed.append(f"{key} was {then or 'not stated'}, now {here or 'not stated'}")
        return changed


class Choice(FileModel):
    """One choice: the whole set of values from then on, and how they were judged."""

    values: dict[
        str, Value
    ]  #: `balance.magenta` -> 5.0; everything settled so far, not only what this choice changed
    job: str
    patch: str
    date: str  #: ISO 8601, local, with offset
    light: str = ""
    minutes: int | None = None  #: from printing to judging
    stock: StockPrint


class SettledFile(FileModel):
    """The whole file: what holds now, and every earlier choice, the latest first."""

    settled: Literal[1] = SETTLED_VERSION
    recipe: str
    now: Choice
    before: tuple[Choice, ...] = ()

    def with_(self, choice: Choice) -> SettledFile:
        """The file after one more choice."""
        return self.model_copy(update={"now": choice, "before": (self.now, *self.before)})

    def undone(self) -> SettledFile | None:
        """The file as it was before the last choice; None where there was none."""
        if not self.before:
            return None
        return self.model_copy(update={"now": self.before[0], "before": self.before[1:]})


def fingerprint(name: str, stock: StockFile, profile_blake3: str) -> StockPrint:
    """What a print on `stock` hangs on today."""
    stated = stock.ticket.stated()
    return StockPrint(
        name=name,
        profile_blake3=profile_blake3,
        lot=stock.lot,
        ticket={key: stated[key] for key in INK_KEYS if key in stated},
    )


def hash_file(path: Path) -> str:
    """blake3 of a file, in hexadecimal."""
    from blake3 import blake3

    return blake3(path.read_bytes()).hexdigest()


def settled_path(root: Path, recipe: str) -> Path:
    """Where the settled values of a recipe lie."""
    return root / "recipes" / f"{recipe}{SUFFIX}"


def read_settled(path: Path, file: str) -> tuple[SettledFile | None, list[Fault]]:
    """The file, or its faults."""
    data = read_toml(path, file)
    if isinstance(data, Fault):
        return None, [data]
    if (version := data.get("settled")) != SETTLED_VERSION:
        reason = f"settled is {version!r}; this program writes and reads {SETTLED_VERSION}"
        return None, [Fault(file, "settled", reason, "move the file away, or use the newer program")]
    return validate(SettledFile, data, file=file)


def write_settled(root: Path, settled: SettledFile) -> Path:
    """Write the file whole or not at all. Raises `Conflict` where a file stands that the program has not written."""
    import tomli_w

    path = settled_path(root, settled.recipe)
    if path.parent != root / "recipes":
        raise Conflict(f"'{settled.recipe}' cannot be the name of a recipe.")
    if path.exists():
        _, faults = read_settled(path, f"recipes/{path.name}")
        if faults:
            raise Conflict(f"{path.name} is not what drydown wrote ({faults[0].reason}). Move it away first.")
    text = _HEAD.format(recipe=settled.recipe) + tomli_w.dumps(_plain(settled.model_dump(mode="json")))
    durable.write_atomic(path, text.encode())
    return path


def remove_settled(root: Path, recipe: str) -> None:
    """Go back to the bare recipe. Raises `Conflict` where a file stands that the program has not written, OSError."""
    path = settled_path(root, recipe)
    _, faults = read_settled(path, f"recipes/{path.name}")
    if faults:
        raise Conflict(f"{path.name} is not what drydown wrote ({faults[0].reason}). Move it away first.")
    durable.unlink_durable(path)


def _plain(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same without what TOML cannot say (null)."""
    return {
        key: _plain(value)
        if isinstance(value, Mapping)
        else [_plain(item) for item in value]
        if isinstance(value, list | tuple)
        else value
        for key, value in data.items()
        if value is not None
    }
