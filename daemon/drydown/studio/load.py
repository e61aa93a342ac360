"""Loading a studio: every file read, every fault of every file in one go."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from drydown.api import Offer
from drydown.errors import Fault, StudioError
from drydown.studio import cross
from drydown.studio.cross import STUDIO_FILE
from drydown.studio.guess import listed, nearest
from drydown.studio.layers import settled_faults
from drydown.studio.partial import Partial, read_partial
from drydown.studio.recipe_file import ReadRecipe, missing_fault, names_of, read_recipe
from drydown.studio.settings import HotFolder, HotFolderTable, StudioTable
from drydown.studio.settled import SUFFIX, SettledFile, read_settled
from drydown.studio.stock import StockFile
from drydown.studio.studio import Problem, Studio
from drydown.studio.toml_file import read_toml


@dataclass(slots=True)
class _Read:
    """What the files gave so far, faulty ones included: what names them is not at fault."""

    settings: StudioTable | None = None
    folders: list[Partial[HotFolderTable]] = field(default_factory=list)
    off_plugins: tuple[str, ...] = ()
    stocks: dict[str, Partial[StockFile]] = field(default_factory=dict)
    recipes: dict[str, ReadRecipe] = field(default_factory=dict)
    settled: dict[str, SettledFile] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    off: dict[str, str] = field(default_factory=dict)
    off_folders: dict[str, str] = field(default_factory=dict)


def load(
    root: Path, offers: Mapping[str, Offer], problems: Sequence[Problem] = (), *, leave_out: bool = False
) -> Studio:
    """Read the studio in `root`.

    `offers` are the steps and sheet makers installed, `problems` the plugins that could not be loaded: a recipe that asks for a step which one of
    these may have offered is off, with its reason, and the others go on. `leave_out`: so it is with a recipe whose file or stock is at fault, while a hot
    folder of another one is left. Raises `StudioError` with every fault of every file.
    """
    root = Path(root).absolute()
    read = _Read()
    _settings(root, read)
    _stocks(root, read)
    _recipes(root, offers, read)
    _settled(root, offers, read)
    _missing(offers, problems, read)
    _across(root, offers, problems, read)
    faults = sorted(read.faults, key=_order)
    if read.settings is None or (faults and not leave_out):
        raise StudioError(faults)
    studio = Studio(
        root=root,
        settings=read.settings,
        hot_folders=tuple(HotFolder.of(table, root) for table in read.settings.hot_folder),
        stocks={name: stock.value for name, stock in read.stocks.items() if stock.value is not None},
        recipes={name: one.recipe for name, one in read.recipes.items() if one.recipe is not None},
        offers=dict(offers),
        settled=read.settled,
        off=read.off,
        off_folders=read.off_folders,
    )
    return studio.without(faults) if faults else studio


def _order(fault: Fault) -> tuple[int, str, int]:
    """File by file, and within a file from the top: keys, then steps or hot folders by number, then tables. Sorting is stable."""
    file = {STUDIO_FILE: 0, "stocks": 1, "recipes": 2}.get(fault.file.split("/")[0], 3)
    if numbered := re.match(r"(?:step|hot_folder) (\d+)", fault.place):
        return file, fault.file, int(numbered[1])
    table = fault.place.startswith(("[", "daemon", "plugins", "ticket"))
    return file, fault.file, 1_000_000 if table else 0


def _settings(root: Path, read: _Read) -> None:
    path = root / STUDIO_FILE
    if not path.is_file():
        guess = f"run drydown init {root}, or say which folder with --studio"
        read.faults.append(Fault(STUDIO_FILE, "", f"is missing in {root}: this is no studio", guess))
        return
    data = read_toml(path, STUDIO_FILE)
    if isinstance(data, Fault):
        read.faults.append(data)
        return
    whole = read_partial(StudioTable, data, file=STUDIO_FILE)
    read.faults += whole.faults
    read.settings = None if whole.faults else whole.value
    read.off_plugins = whole.value.plugins.off if whole.value else ()
    tables = data.get("hot_folder", [])
    if isinstance(tables, list) and all(isinstance(table, dict) for table in tables):
        read.folders = [read_partial(HotFolderTable, table, file=STUDIO_FILE) for table in tables]


def _stocks(root: Path, read: _Read) -> None:
    for path in _files(root / "stocks"):
        file, name = f"stocks/{path.name}", path.stem
        read.stocks[name] = Partial(None)
        data = read_toml(path, file)
        if isinstance(data, Fault):
            read.faults.append(data)
            continue
        read.stocks[name] = read_partial(StockFile, data, file=file)
        read.faults += read.stocks[name].faults
        read.faults += cross.stock_faults(name, read.stocks[name], root)


def _recipes(root: Path, offers: Mapping[str, Offer], read: _Read) -> None:
    for path in _files(root / "recipes"):
        if path.name.endswith(SUFFIX):
            continue
        file, name = f"recipes/{path.name}", path.stem
        data = read_toml(path, file)
        if isinstance(data, Fault):
            read.recipes[name] = ReadRecipe(faults=[data])
        else:
            read.recipes[name] = read_recipe(name, data, offers, root)
        read.faults += read.recipes[name].faults
        read.faults += cross.recipe_faults(file, read.recipes[name].head, read.stocks)


def _settled(root: Path, offers: Mapping[str, Offer], read: _Read) -> None:
    for path in _files(root / "recipes"):
        if not path.name.endswith(SUFFIX):
            continue
        file, name = f"recipes/{path.name}", path.name.removesuffix(SUFFIX)
        settled, faults = read_settled(path, file)
        read.faults += faults
        if settled is None:
            continue
        if name not in read.recipes:
            guess = f"put recipes/{name}.toml back, or move this file away"
            read.faults.append(Fault(file, "", f"settles '{name}', and there is no such recipe", guess))
            continue
        read.settled[name] = settled
        recipe = read.recipes[name].recipe
        if recipe is not None:
            read.faults += settled_faults(recipe, settled, offers, file=file, root=root)


def _missing(offers: Mapping[str, Offer], problems: Sequence[Problem], read: _Read) -> None:
    """Steps that nobody offers: a fault of the recipe, or, where a plugin that failed may have offered it, a recipe that is off."""
    for name, recipe in read.recipes.items():
        for place, kind, wanted in recipe.missing:
            culprits = _culprits(wanted, names_of(offers, kind), problems)
            if not culprits:
                read.faults.append(
                    missing_fault(f"recipes/{name}.toml", place, kind, wanted, offers, read.off_plugins)
                )
            elif kind == "step":
                step = place.split(" (")[0]
                read.off.setdefault(
                    name, f"recipe {name} is off: {step} uses '{wanted}', and {_told(culprits)}"
                )


def _across(root: Path, offers: Mapping[str, Offer], problems: Sequence[Problem], read: _Read) -> None:
    heads = {name: recipe.head for name, recipe in read.recipes.items()}
    read.faults += cross.hot_folder_faults(read.folders, heads, read.stocks, offers)
    read.faults += cross.overlap_faults(read.folders, root)
    measured = read.settings.measured_folder if read.settings else ()
    read.faults += cross.measured_folder_faults(measured, read.folders, read.stocks, root)
    for number, partial in enumerate(read.folders, 1):
        folder = partial.value
        if folder is None or not partial.sound("sheet_maker") or folder.sheet_maker in offers:
            continue
        maker = folder.sheet_maker
        place = f"{cross.hot_place(number, folder)}: sheet_maker"
        if culprits := _culprits(maker, names_of(offers, "sheet maker"), problems):
            read.off_folders[folder.called] = (
                f"hot folder {folder.called} is off: its sheet maker is '{maker}', and {_told(culprits)}"
            )
        else:
            read.faults.append(
                missing_fault(STUDIO_FILE, place, "sheet maker", maker, offers, read.off_plugins)
            )


def _culprits(wanted: str, have: Sequence[str], problems: Sequence[Problem]) -> list[Problem]:
    """The plugins that may have offered `wanted`: those that carry its name, else all, unless it is plainly a slip for one that is there."""
    named = [
        problem for problem in problems if wanted.replace("-", "_") in problem.offered_by.replace("-", "_")
    ]
    if named or nearest(wanted, have):
        return named
    return list(problems)


def _told(culprits: Sequence[Problem]) -> str:
    return listed(str(problem) for problem in culprits)


def _files(folder: Path) -> list[Path]:
    """The TOML files that a person sees in a folder, by name."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.glob("*.toml") if not path.name.startswith(".") and path.is_file())
