"""Reading one recipe: its head, its steps with each step's own settings, and the tables of the sheet makers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drydown.api import Offer, SheetOffer, StepOffer
from drydown.errors import Fault
from drydown.studio.faults import shown, validate
from drydown.studio.guess import did_you_mean, listed, nearest
from drydown.studio.partial import Partial, read_partial
from drydown.studio.paths import missing_files
from drydown.studio.recipe import RESERVED, Recipe, RecipeHead, RecipeStep

#: Names that a picture's own file uses for itself.
PICTURE_KEYS = ("copies", "edition", "untagged", "sheet")
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]*")


@dataclass(slots=True)
class ReadRecipe:
    """What one file gave; with any fault, `recipe` is only good for checking others. `missing` are the offers that it asks for and nobody has: (place, kind, name)."""

    recipe: Recipe | None = None
    head: Partial[RecipeHead] = field(default_factory=lambda: Partial(None))
    faults: list[Fault] = field(default_factory=list)
    missing: list[tuple[str, str, str]] = field(default_factory=list)


def read_recipe(name: str, data: Mapping[str, Any], offers: Mapping[str, Offer], root: Path) -> ReadRecipe:
    """Read the tables of `recipes/NAME.toml` in the studio `root`. A recipe that asks for what is missing is still read, so that every other fault is seen too."""
    file = f"recipes/{name}.toml"
    head = {key: value for key, value in data.items() if key in RecipeHead.model_fields}
    rest = {key: value for key, value in data.items() if key not in head and key != "step"}
    read = ReadRecipe(head=read_partial(RecipeHead, head, file=file))
    read.faults += read.head.faults
    reader = _Reader(file, offers, root, read)
    steps, tables = reader.steps(data.get("step")), reader.tables(rest)
    if read.head.value is not None:
        read.recipe = Recipe(**read.head.value.model_dump(), name=name, steps=tuple(steps), tables=tables)
    return read


def missing_fault(
    file: str, place: str, kind: str, name: str, offers: Mapping[str, Offer], off: Sequence[str] = ()
) -> Fault:
    """The fault of a step or sheet maker that nobody offers; `off` are the plugins that the studio keeps out."""
    have = names_of(offers, kind)
    kept_out = f"; plugins.off keeps out {listed(off)}" if off else ""
    guess = did_you_mean(name, have, f"installed: {listed(have)}{kept_out}")
    return Fault(file, place, f"no installed plugin offers a {kind} called '{name}'", guess)


def names_of(offers: Mapping[str, Offer], kind: str) -> list[str]:
    """The names of the steps, or of the sheet makers."""
    wanted = SheetOffer if kind == "sheet maker" else StepOffer
    return [name for name, offer in offers.items() if isinstance(offer, wanted)]


@dataclass(frozen=True, slots=True)
class _Reader:
    """One file being read; what is wrong goes into `read`."""

    file: str
    offers: Mapping[str, Offer]
    root: Path
    read: ReadRecipe

    def fault(self, place: str, reason: str, guess: str = "") -> None:
        self.read.faults.append(Fault(self.file, place, reason, guess))

    def check(self, offer: Offer, written: Mapping[str, Any], place: str) -> None:
        """The settings of a step or sheet maker by its own rules, and the files that they name."""
        settings, faults = validate(offer.settings, written, file=self.file, place=place, above=RecipeHead)
        if settings is not None:
            faults = missing_files(settings, self.root, file=self.file, place=place)
        self.read.faults += faults

    def steps(self, written: Any) -> list[RecipeStep]:
        if written is None:
            self.fault("", "has no [[step]] table", "a recipe is a chain of at least one step")
            return []
        if not isinstance(written, list) or not all(isinstance(step, dict) for step in written):
            self.fault("step", "is one table", "write [[step]], with two brackets, for each step")
            return []
        steps: list[RecipeStep] = []
        taken: dict[str, int] = {}
        for number, table in enumerate(written, 1):
            step = self.step(number, table)
            if step is None:
                continue
            if (other := taken.setdefault(step.name, number)) != number:
                guess = f'give one of them a name of its own: name = "{step.name}-2"'
                self.fault(f"step {number}", f"is called '{step.name}', as step {other} is", guess)
            steps.append(step)
        return steps

    def step(self, number: int, table: Mapping[str, Any]) -> RecipeStep | None:
        use, name = table.get("use"), table.get("name", table.get("use"))
        if not isinstance(use, str):
            self._no_use(number, table)
            return None
        place = f"step {number} ({name if isinstance(name, str) else use})"
        self._check_name(name, use, place)
        settings = {key: value for key, value in table.items() if key not in RESERVED}
        offer = self.offers.get(use)
        if isinstance(offer, SheetOffer):
            guess = f'say sheet_maker = "{use}" in the hot folder, and put its settings under [{use}]'
            self.fault(place, f"'{use}' is a sheet maker, not a step", f"it ends the chain: {guess}")
        elif offer is None:
            self.read.missing.append((place, "step", use))
        else:
            self.check(offer, settings, place)
        return RecipeStep(name=name if isinstance(name, str) else use, use=use, written=settings)

    def _no_use(self, number: int, table: Mapping[str, Any]) -> None:
        place = f"step {number}: use"
        if "use" in table:
            self.fault(place, f"must be the name of a step, in quotes; found {shown(table['use'])}")
        else:
            close = nearest("use", [key for key in table if len(key) <= 4])
            self.fault(place, "is missing", f"{close} should be use" if close else "")

    def _check_name(self, name: object, use: str, place: str) -> None:
        where = f"{place}: name"
        if not isinstance(name, str):
            self.fault(where, f"must be text in quotes; found {shown(name)}")
        elif name == use:
            return
        elif not _NAME.fullmatch(name):
            self.fault(where, f"cannot be {shown(name)}", "small letters, digits and hyphens only")
        elif name in PICTURE_KEYS or isinstance(self.offers.get(name), SheetOffer):
            self.fault(where, f"'{name}' has a meaning of its own", "give the step another name")

    def tables(self, written: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
        """The sheet makers' tables; whatever else stands at the top of the file is a fault."""
        tables: dict[str, dict[str, Any]] = {}
        for key, value in written.items():
            offer = self.offers.get(key)
            if isinstance(offer, SheetOffer) and isinstance(value, dict):
                self.check(offer, value, f"[{key}]")
                tables[key] = value
            elif isinstance(offer, SheetOffer):
                self.fault(key, f"must be a table; found {shown(value)}", f"write [{key}]")
            elif isinstance(offer, StepOffer):
                guess = f'its settings stand in its [[step]] table, after use = "{key}"'
                self.fault(key, "is a step", guess)
            elif isinstance(value, dict):
                self.read.missing.append((f"[{key}]", "sheet maker", key))
            else:
                known = [*RecipeHead.model_fields, "step"]
                self.fault(key, "no such key", did_you_mean(key, known, f"known here: {listed(known)}"))
        return tables
