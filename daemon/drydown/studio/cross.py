"""What one file says of another: stocks, sheets, recipes and sheet makers that must exist, and folders that must lie apart."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from drydown.api import Offer, Sheet, SheetOffer, SizeMm, StepOffer
from drydown.errors import Fault
from drydown.studio.guess import did_you_mean, listed
from drydown.studio.overlap import overlaps
from drydown.studio.partial import Partial
from drydown.studio.recipe import RecipeHead
from drydown.studio.settings import HotFolderTable, MeasuredFolderTable
from drydown.studio.sheets import UnknownSheet, confusable, in_words
from drydown.studio.stock import StockFile
from drydown.studio.studio import FINAL

STUDIO_FILE = "studio.toml"
#: Folders of a studio that a hot folder must stay out of; the last ones are named for links that lead straight to them.
OWN_FOLDERS = (
    *(f"{name}/" for name in ("prints", "originals", "state", "stocks", "recipes", "profiles", "plugins")),
    *(f"originals/{name}/" for name in ("done", "held", "refused")),
)
#: Keys of a recipe that decide the room for the picture.
MARGIN_KEYS = ("margin_mm", "binding_mm", "binding_side", "leaf")
#: The stocks by name, and the hot folders in their order, as far as they could be read.
Stocks = Mapping[str, Partial[StockFile]]
Folders = Sequence[Partial[HotFolderTable]]
#: Less room than this is a slip of the pen, not a picture.
LEAST_ROOM_MM = 10.0


def stock_faults(name: str, read: Partial[StockFile], root: Path) -> Iterator[Fault]:
    """A profile that is not there, and sheets that nobody knows or that stand twice."""
    file, stock = f"stocks/{name}.toml", read.value
    if stock is None:
        return
    if read.sound("profile") and not (root / stock.profile).is_file():
        yield Fault(file, "profile", f"{stock.profile} is missing", _profile_guess(stock.profile, root))
    if not read.sound("sheets", "custom_sheet"):
        return
    own = [sheet.name for sheet in stock.custom_sheets()]
    for twice in sorted({one for one in own if own.count(one) > 1}):
        yield Fault(file, "custom_sheet", f"two are called '{twice}'", "give one of them another name")
    seen: dict[str, str] = {}
    for number, word in enumerate(stock.sheets, 1):
        try:
            found = stock.sheet(word)
        except UnknownSheet as unknown:
            yield Fault(file, f"sheets {number}", f"no sheet is called '{word}'", unknown.guess)
            continue
        if found.pwg in seen:
            yield Fault(file, f"sheets {number}", f"'{word}' stands twice, before as '{seen[found.pwg]}'")
        seen[found.pwg] = word


def recipe_faults(file: str, read: Partial[RecipeHead], stocks: Stocks) -> Iterator[Fault]:
    """A stock that is not there, a sheet that it does not keep, margins that leave no room."""
    head = read.value
    if head is None or not read.sound("stock"):
        return
    if head.stock not in stocks:
        have = f"stocks/ has {listed(sorted(stocks))}"
        yield Fault(
            file, "stock", f"no stock is called '{head.stock}'", did_you_mean(head.stock, stocks, have)
        )
        return
    stock = stocks[head.stock]
    if stock.value is None or not stock.sound("sheets", "custom_sheet") or not read.sound("sheet"):
        return
    sheet = kept_sheet(stock.value, head.stock, head.sheet)
    if isinstance(sheet, Fault):
        yield Fault(file, "sheet", sheet.reason, sheet.guess)
    elif read.sound(*MARGIN_KEYS):
        yield from room_faults(file, "margin_mm", head, sheet)


def room_faults(file: str, place: str, head: RecipeHead, sheet: Sheet) -> Iterator[Fault]:
    """Margins that leave no room for a picture, upright or on its side."""
    for size, how in ((sheet.size, "upright"), (sheet.size.turned(), "on its side")):
        room = head.margins_mm().inside(size)
        if min(room.width, room.height) < LEAST_ROOM_MM:
            found = f"margins leave {_size(room)} for the picture on {in_words(sheet)} {how}"
            yield Fault(file, place, found, "make them smaller, or the sheet larger")
            return


def hot_folder_faults(
    folders: Folders, heads: Mapping[str, Partial[RecipeHead]], stocks: Stocks, offers: Mapping[str, Offer]
) -> Iterator[Fault]:
    """Recipes and sheets that are not there, steps taken for sheet makers, names that stand twice."""
    called: dict[str, int] = {}
    makers = [name for name, offer in offers.items() if isinstance(offer, SheetOffer)]
    for number, read in enumerate(folders, 1):
        folder = read.value
        if folder is None:
            continue
        place = hot_place(number, folder)
        if (
            read.sound("path", "name")
            and (other := called.setdefault(folder.called.casefold(), number)) != number
        ):
            reason = f"is called '{folder.called}', as hot_folder {other} is"
            yield Fault(STUDIO_FILE, place, reason, 'give one of them a name of its own: name = "…"')
        if read.sound("sheet_maker") and isinstance(offers.get(folder.sheet_maker), StepOffer):
            reason = f"'{folder.sheet_maker}' is a step, not a sheet maker"
            yield Fault(STUDIO_FILE, f"{place}: sheet_maker", reason, f"installed: {listed(makers)}")
        if read.sound("recipe") and folder.recipe not in heads:
            guess = did_you_mean(folder.recipe, heads, f"recipes/ has {listed(sorted(heads))}")
            yield Fault(STUDIO_FILE, f"{place}: recipe", f"no recipe is called '{folder.recipe}'", guess)
        elif read.sound("recipe", "sheet") and folder.sheet is not None:
            yield from _hot_sheet_faults(
                f"{place}: sheet", folder, folder.sheet, heads[folder.recipe], stocks
            )


def _hot_sheet_faults(
    place: str, folder: HotFolderTable, wanted: str, read: Partial[RecipeHead], stocks: Stocks
) -> Iterator[Fault]:
    head = read.value
    if head is None or not read.sound("stock") or head.stock not in stocks:
        return
    stock = stocks[head.stock]
    if stock.value is None or not stock.sound("sheets", "custom_sheet"):
        return
    sheet = kept_sheet(stock.value, head.stock, wanted)
    if isinstance(sheet, Fault):
        yield Fault(STUDIO_FILE, place, sheet.reason, sheet.guess)
    elif folder.sheet_maker == FINAL and read.sound(*MARGIN_KEYS):
        yield from room_faults(STUDIO_FILE, place, head, sheet)


def measured_folder_faults(
    tables: Sequence[MeasuredFolderTable], folders: Folders, stocks: Stocks, root: Path
) -> Iterator[Fault]:
    """Stocks that are not there, and folders that are, hold or lie in a hot folder, where readings would be taken for pictures."""
    hot = [read.value for read in folders if read.value is not None]
    for number, table in enumerate(tables, 1):
        place = f"measured_folder {number} ({table.path})"
        if table.stock not in stocks:
            guess = did_you_mean(table.stock, stocks, f"stocks/ has {listed(sorted(stocks))}")
            yield Fault(STUDIO_FILE, f"{place}: stock", f"no stock is called '{table.stock}'", guess)
        for folder in hot:
            if found := overlaps([root / folder.path, root / table.path]):
                reason = f"{found[0].how} the hot folder {folder.path}"
                yield Fault(STUDIO_FILE, f"{place}: path", reason, "give readings a folder of their own")


def overlap_faults(folders: Folders, root: Path) -> Iterator[Fault]:
    """Hot folders inside each other, or in or round a folder of the studio's own."""
    hot = [
        (number, read.value) for number, read in enumerate(folders, 1) if read.value and read.sound("path")
    ]
    own = [*OWN_FOLDERS, *(f"prints/{folder.called}/" for _, folder in hot)]
    places = [*(root / name for name in own), *(root / folder.path for _, folder in hot)]
    told: set[int] = set()
    for one, how, other in overlaps(places):
        if one < len(own) or (other < len(own) and one in told):
            continue  # the studio's own folders among themselves; or said already of the folder that holds this one
        number, folder = hot[one - len(own)]
        if other < len(own):
            told.add(one)
            name = own[other]
        else:
            name = hot[other - len(own)][1].path
        fed = other < len(own) and name.startswith("prints/")
        why = "what is published there would be taken again" if fed else "give it a place of its own"
        yield Fault(STUDIO_FILE, f"{hot_place(number, folder)}: path", f"{how} {name}", why)


def hot_place(number: int, folder: HotFolderTable) -> str:
    """`hot_folder 2 (hot/final)`."""
    return f"hot_folder {number} ({folder.name or folder.path})"


def kept_sheet(stock: StockFile, name: str, wanted: str) -> Sheet | Fault:
    """The sheet, if the stock keeps it; else a fault (without file and place) that says why not."""
    kept = list(_known(stock))
    try:
        sheet = stock.sheet(wanted)
    except UnknownSheet as unknown:
        guess = did_you_mean(wanted, [one.name for one in kept], unknown.guess)
        return Fault("", "", f"no sheet is called '{wanted}'", guess)
    if any(one.pwg == sheet.pwg for one in kept):
        return sheet
    reason = f"stock {name} does not keep {in_words(sheet)}"
    if near := next((one for one in kept if confusable(one, sheet)), None):
        return Fault(
            "", "", reason, f"it keeps {in_words(near)}: these are two sizes, and never the same sheet"
        )
    return Fault("", "", reason, f"it keeps {listed(one.name for one in kept)}")


def _known(stock: StockFile) -> Iterable[Sheet]:
    for word in stock.sheets:
        try:
            yield stock.sheet(word)
        except UnknownSheet:
            continue  # reported with the stock


def _profile_guess(profile: str, root: Path) -> str:
    folder = (root / profile).parent
    beside = (
        [f"{Path(profile).parent.as_posix()}/{file.name}" for file in folder.glob("*.ic[cm]")]
        if folder.is_dir()
        else []
    )
    return did_you_mean(profile, beside, "copy your paper's profile there")


def _size(size: SizeMm) -> str:
    return f"{size.width:g} × {size.height:g} mm"
