"""From a studio's files to everything that decides one job's sheet: complete settings with their origin, stock, sheets, margins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from drydown.api import EdgesMm, Sheet, SheetOffer
from drydown.errors import Fault, Hold, NotFound, is_machines
from drydown.studio.cross import kept_sheet
from drydown.studio.guess import did_you_mean, listed
from drydown.studio.layers import Complete, Layer, Origin, PictureFile, complete, picture_file, settled_layer
from drydown.studio.recipe import Recipe
from drydown.studio.settings import HotFolder
from drydown.studio.settled import fingerprint, hash_file
from drydown.studio.stock import StockFile
from drydown.studio.studio import FINAL, Studio
from drydown.studio.toml_file import read_toml


class PictureFaults(Hold):
    """A picture's own file has faults: the job waits for a person. Holds them all."""

    def __init__(self, file: str, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        told = "; ".join(str(fault).removeprefix(f"{file}: ") for fault in faults)
        many = "a fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__(f"The picture's own {file} has {many}: {told}. Mend it, then retry the job.")

    def __reduce__(self) -> tuple[type[PictureFaults], tuple[str, list[Fault]]]:
        return PictureFaults, (self.faults[0].file, list(self.faults))


class RecipeOff(Hold):
    """The recipe's file is at fault, or it, or the hot folder's sheet maker, needs a plugin that failed to load: its jobs wait, a step is never skipped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """Everything that the files say about one job."""

    recipe: Recipe
    steps: tuple[Complete, ...]
    maker: Complete
    stock_name: str
    stock: StockFile
    profile: Path  #: absolute
    sheet: Sheet  #: that this job prints on
    final_sheet: Sheet  #: that the picture is cropped for
    margins_mm: EdgesMm  #: of the final sheet, round the picture seen upright; binding and leaf applied
    viewing_mm: float
    light: str
    untagged: Literal["srgb", "hold"]
    copies: int
    edition: str
    notes: tuple[str, ...] = ()  #: what a person should know, such as settled values that were left out

    def step(self, name: str) -> Complete | None:
        """The step of this name."""
        return next((step for step in self.steps if step.name == name), None)


def read_picture_file(path: Path) -> dict[str, Any]:
    """A picture's own TOML file. Raises `PictureFaults` where it is not TOML or cannot be read."""
    data = read_toml(path, path.name)
    if isinstance(data, Fault):
        raise PictureFaults(path.name, [data])
    return data


def resolve(
    studio: Studio,
    *,
    recipe: str,
    maker: str = FINAL,
    sheet: str | None = None,
    picture: Mapping[str, Any] | None = None,
    picture_name: str = "settings",
    copies: int = 1,
    edition: str = "",
    untagged: Literal["srgb", "hold"] | None = None,
) -> Resolved:
    """Complete settings for a job of `recipe` that ends in `maker`.

    `sheet` is another sheet of the recipe's stock: a final is then made for it; a proof is only printed on it and keeps the crop of the recipe's sheet.
    `picture` is the picture's own file as read, `picture_name` its name; `copies`, `edition` and `untagged` are the hot folder's, and the picture's own go first.
    Raises `NotFound` (recipe, sheet maker, sheet), `RecipeOff` and `PictureFaults` (both a `Hold`).
    """
    found = _recipe(studio, recipe)
    offer = studio.offers.get(maker)
    if not isinstance(offer, SheetOffer):
        makers = [name for name, one in studio.offers.items() if isinstance(one, SheetOffer)]
        raise NotFound(
            f"No sheet maker is called '{maker}'; {did_you_mean(maker, makers, f'installed: {listed(makers)}')}"
        )
    stock = studio.stocks[found.stock]
    final_sheet = stock.sheet(found.sheet)
    here = _sheet(stock, found.stock, sheet) if sheet else final_sheet
    settled, notes = _settled(studio, found)
    own = picture_file(picture or {}, found, studio.offers, file=picture_name)
    if isinstance(wanted := (picture or {}).get("sheet"), str):
        final_sheet = _own_sheet(stock, found.stock, wanted, own, picture_name) or final_sheet
        here = final_sheet if maker == FINAL or not sheet else here
    steps, made = _complete_all(studio, found, maker, settled, own, picture_name)
    return Resolved(
        recipe=found,
        steps=steps,
        maker=made,
        stock_name=found.stock,
        stock=stock,
        profile=studio.profile(found.stock),
        sheet=here,
        final_sheet=here if maker == FINAL else final_sheet,
        margins_mm=found.margins_mm(),
        viewing_mm=found.viewing_mm,
        light=found.light,
        untagged=own.head.untagged or untagged or found.untagged,
        copies=own.head.copies or copies,
        edition=edition if own.head.edition is None else own.head.edition,
        notes=tuple(notes),
    )


def resolve_hot(
    studio: Studio,
    hot: HotFolder,
    *,
    picture: Mapping[str, Any] | None = None,
    picture_name: str = "settings",
) -> Resolved:
    """The same for a picture in a hot folder."""
    if (why := studio.off_folders.get(hot.name)) is not None:
        raise RecipeOff(_sentence(why))
    return resolve(
        studio,
        recipe=hot.recipe,
        maker=hot.sheet_maker,
        sheet=hot.sheet,
        picture=picture,
        picture_name=picture_name,
        copies=hot.copies,
        edition=hot.edition,
        untagged=hot.untagged,
    )


def _recipe(studio: Studio, name: str) -> Recipe:
    if (why := studio.off.get(name)) is not None:
        raise RecipeOff(_sentence(why))
    if name not in studio.recipes:
        have = f"recipes/ has {listed(sorted(studio.recipes))}"
        raise NotFound(f"No recipe is called '{name}'; {did_you_mean(name, studio.recipes, have)}")
    return studio.recipes[name]


def _sheet(stock: StockFile, name: str, wanted: str) -> Sheet:
    found = kept_sheet(stock, name, wanted)
    if isinstance(found, Fault):
        raise NotFound(_sentence(found.reason + (f"; {found.guess}" if found.guess else "")))
    return found


def _own_sheet(stock: StockFile, name: str, wanted: str, own: PictureFile, file: str) -> Sheet | None:
    """The sheet that a picture's own file asks for; a fault of that file where the stock does not keep it."""
    found = kept_sheet(stock, name, wanted)
    if isinstance(found, Fault):
        own.faults.append(Fault(file, "sheet", found.reason, found.guess))
        return None
    return found


def _settled(studio: Studio, recipe: Recipe) -> tuple[Layer, list[str]]:
    """The settled values, unless they were judged on another paper, ink or driver setting: then none, and a note that says so."""
    settled = studio.settled.get(recipe.name)
    if settled is None:
        return {}, []
    try:
        now = fingerprint(recipe.stock, studio.stocks[recipe.stock], hash_file(studio.profile(recipe.stock)))
    except OSError as error:
        if is_machines(error):
            raise
        name = studio.profile(recipe.stock).name
        raise Hold(
            f"The stock's profile {name} cannot be read ({error.strerror}). Put it back, then retry the job."
        ) from error
    if not (changed := settled.now.stock.differences(now)):
        return settled_layer(settled), []
    keys = listed(settled.now.values)
    note = (
        f"settled values are left out ({keys}), because they were judged on something else: {'; '.join(changed)}. "
        "Print one strip, and choose again."
    )
    return {}, [note]


def _complete_all(
    studio: Studio, recipe: Recipe, maker: str, settled: Layer, own: PictureFile, file: str
) -> tuple[tuple[Complete, ...], Complete]:
    faults = list(own.faults)

    def one(name: str, use: str, written: Mapping[str, Any]) -> Complete | None:
        layers: list[tuple[Origin, Mapping[str, Any]]] = [
            ("recipe", written),
            ("settled", settled.get(name, {})),
            ("picture", own.layer.get(name, {})),
        ]
        found = complete(name, use, studio.offers[use], layers, file=file, root=studio.root)
        if isinstance(found, Complete):
            return found
        faults.extend(found)
        return None

    steps = [one(step.name, step.use, step.written) for step in recipe.steps]
    made = one(maker, maker, recipe.tables.get(maker, {}))
    if faults or made is None:
        raise PictureFaults(file, faults)
    return tuple(step for step in steps if step is not None), made


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?")) else ".")
