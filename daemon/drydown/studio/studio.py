"""A studio as loaded: everything its files say, checked against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from drydown.api import Offer
from drydown.studio.recipe import Recipe
from drydown.studio.settings import HotFolder, StudioTable
from drydown.studio.settled import SettledFile
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

    `off` tells which recipes cannot run because a plugin of theirs failed to load, and why; `off_folders` the same of hot folders, by name. The rest goes on.
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

    def stock_of(self, recipe: str) -> StockFile:
        """The stock that a recipe prints on."""
        return self.stocks[self.recipes[recipe].stock]

    def profile(self, stock: str) -> Path:
        """Where a stock's profile lies, absolute."""
        return self.root / self.stocks[stock].profile
