"""A studio as loaded: everything its files say, checked against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from drydown.api import Offer
from drydown.errors import Fault, StudioError
from drydown.studio.recipe import Recipe
from drydown.studio.settings import HotFolder, StudioTable
from drydown.studio.settled import SUFFIX, SettledFile
from drydown.studio.stock import StockFile

#: The sheet maker whose sheet is the recipe's aim. Every other one proofs: it may print on another sheet, but crops for the recipe's.
FINAL = "final"


class Problem(Protocol):
    """A plugin that could not be loaded, as discovery tells it; `str(problem)` says who, where and why."""

    @property
    def offered_by(self) -> str:
        """Who: `studio-border 1.2`, or `plugins/border.py`."""
        ...

    @property
    def reason(self) -> str:
        """Why: `ImportError: no module named 'shapely'`."""
        ...


@dataclass(frozen=True, slots=True)
class Studio:
    """Every file of a studio, read and checked.

    `off` tells which recipes cannot run, and why: a plugin of theirs failed to load, or their files are at fault and were left out on demand (`left_out`);
    `off_folders` the same of hot folders, by name. The rest goes on.
    """

    root: Path
    settings: StudioTable
    hot_folders: tuple[HotFolder, ...]
    stocks: Mapping[str, StockFile]
    recipes: Mapping[str, Recipe]
    offers: Mapping[str, Offer] = field(repr=False)
    settled: Mapping[str, SettledFile] = field(default_factory=dict)
    off: Mapping[str, str] = field(default_factory=dict)
    off_folders: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[Fault, ...] = ()

    def without(self, faults: Sequence[Fault]) -> Studio:
        """The same, with every recipe off that one of these faults is of, be it by its stock.

        Raises StudioError with all of them where one is of something else, or where no hot folder is left that could work.
        """
        off: dict[str, str] = {}
        for fault in faults:
            concerned = self._concerned(fault)
            if concerned is None:
                raise StudioError(faults)
            for recipe in concerned:
                off.setdefault(recipe, f"recipe {recipe} is off: {fault}")
        off |= self.off
        if all(hot.recipe in off or hot.name in self.off_folders for hot in self.hot_folders):
            raise StudioError(faults)
        return replace(self, off=off, left_out=(*self.left_out, *faults))

    def _concerned(self, fault: Fault) -> list[str] | None:
        """The recipes that a fault is of; None where it is of the whole studio, or of a stock that more than recipes need."""
        folder, _, file = fault.file.partition("/")
        name = file.removesuffix(SUFFIX).removesuffix(".toml")
        if folder == "recipes":
            return [name]
        if folder == "stocks" and all(one.stock != name for one in self.settings.measured_folder):
            return [recipe for recipe, read in self.recipes.items() if read.stock == name]
        return None

    def stock_of(self, recipe: str) -> StockFile:
        """The stock that a recipe prints on."""
        return self.stocks[self.recipes[recipe].stock]

    def profile(self, stock: str) -> Path:
        """Where a stock's profile lies, absolute."""
        return self.root / self.stocks[stock].profile
