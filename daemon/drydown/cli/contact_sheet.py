"""The contact sheet of a run: made here, in the command's own process, when every job is at rest; a daemon never touches a pixel."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drydown import durable
from drydown.api import Box, Finished, Sheet, Stock
from drydown.cli.portfolio import tally, word
from drydown.errors import NotFound
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.names import SUFFIXES
from drydown.jobs.places import Places, prepare_prints
from drydown.service.house import House
from drydown.service.portfolio import Line, Paper
from drydown.service.reception import RUN
from drydown.showing import shown

if TYPE_CHECKING:
    from drydown.imaging.contact_sheet import Head, Shown

#: A contact sheet is printed on the smallest sheet kept that is about a letter or an A4, so that no large one is spent on it.
LEAST_SHEET_MM = (200.0, 250.0)
SCREEN_PX = 2400  #: longer edge that the picture beside it is near to
_SHORT_ID = 6  #: letters of the first job's name that tell two runs of a day apart: they hold all that is random in it
_FILE_MODE = 0o644


def make_contact_sheet(
    house: House, recipe: str, made: Sequence[Line], papers: Sequence[Paper], *, now_s: float
) -> list[Path]:
    """Write the contact sheet of a run into the prints of the command line: a TIFF for each page, and a picture for screens beside it.

    Answers the TIFFs. `now_s`: wall clock. Raises NotFound where no sheet of the stock is large enough, Refusal where its profile cannot be used,
    MachineFault, OSError.
    """
    from drydown.imaging.contact_sheet import contact_sheets

    name = house.studio.recipes[recipe].stock
    stock, sheet = _paper(house, name)
    day = datetime.fromtimestamp(now_s).date().isoformat()
    head = _head(recipe, stock, made, papers, day)
    folder = _folder(house.places)
    written: list[Path] = []
    try:
        for page in contact_sheets([_shown(line) for line in made], head, stock, sheet):
            number, pages = page.record["page"], page.record["pages"]
            of = f"__{number}of{pages}" if pages > 1 else ""
            to = folder / f"contact-sheet__{day}-{made[0].row.id[-_SHORT_ID:]}__{recipe}{of}.tif"
            _write(page, to, stock)
            written.append(to)
    except ValueError as error:
        raise NotFound(f"stock '{name}' has no sheet for a contact sheet: {sheet.name}, {error}") from error
    return written


def _paper(house: House, name: str) -> tuple[Stock, Sheet]:
    """The stock, and which of its sheets a contact sheet is printed on."""
    file, profile = house.studio.stocks[name], house.studio.profile(name)
    stock = Stock(
        name=name,
        profile=profile,
        icc=profile.read_bytes(),
        ppi=file.ppi,
        unprintable_mm=file.unprintable(),
        lot=file.lot,
    )
    by_area = sorted(file.kept(), key=lambda sheet: sheet.size.width * sheet.size.height)
    width_mm, height_mm = LEAST_SHEET_MM
    enough = [sheet for sheet in by_area if sheet.size.width >= width_mm and sheet.size.height >= height_mm]
    return stock, (enough or by_area[::-1])[0]


def _head(recipe: str, stock: Stock, made: Sequence[Line], papers: Sequence[Paper], day: str) -> Head:
    from drydown.imaging.contact_sheet import Head

    lot = f", lot {stock.lot}" if stock.lot else ""
    used = [
        f"{paper.sheets} sheet{'s' if paper.sheets != 1 else ''} of {paper.sheet.name}" for paper in papers
    ]
    return Head(recipe, (f"{len(made)} pictures: {tally(made)}", f"{stock.name}{lot}", *used, day))


def _shown(line: Line) -> Shown:
    """A picture with its preview where one is published; also that of a sheet which waits for a person's look."""
    from drydown.imaging.contact_sheet import Shown

    row, spec = line.row, line.row.spec_data
    facts = [line.plan.sheet.name, word(line)]
    preview = row.prints / f"{row.prefix}{SUFFIXES['preview']}" if row.prints and row.sheet_name else None
    why = row.reason
    if preview is not None and not preview.is_file():
        why = f"Its preview is no longer in prints/{shown(preview.parent.name)}."
        preview = None
    if preview is not None:
        facts[:0] = _size(row)
    if line.copies > 1:
        facts.append(f"{line.copies} copies")
    if spec.get("edition"):
        facts.append(f"edition {spec['edition']}")
    box = None if preview is None else _picture_in_preview(row)
    return Shown(
        number=line.plan.number,
        name=row.source_name,
        facts=tuple(facts),
        preview=preview,
        picture=box,
        why=why,
    )


def _size(row: JobRow) -> list[str]:
    """The picture's size on paper, where its sheet maker recorded one."""
    try:
        *_, width_mm, height_mm = _record(row)["maker"]["picture_mm"]
        return [f"{width_mm:.0f} x {height_mm:.0f} mm"]
    except (KeyError, TypeError, ValueError):
        return []


def _picture_in_preview(row: JobRow) -> Box | None:
    """Where the picture lies in the preview of its sheet; None for a sheet that is not one picture, such as a strip."""
    from drydown.imaging.contact_sheet import preview_box

    record = _record(row)
    try:
        return preview_box(Box(**record["picture_px"]), int(record["preview"]["reduced_by"]))
    except (KeyError, TypeError, ValueError):
        return None


def _record(row: JobRow) -> dict[str, Any]:
    record = row.result_data.get("record")
    return record if isinstance(record, dict) else {}


def _folder(places: Places) -> Path:
    """The folder of sheets, ready. Raises MachineFault where it is offline, OSError."""
    folder = places.root / "prints" / RUN
    with LedgerView.read(places.ledger) as ledger:
        known = bool(ledger.fact(f"prints {shown(str(folder))}"))
    prepare_prints(folder, known=known)
    return folder


def _write(page: Finished, to: Path, stock: Stock) -> None:
    """The page and the picture of it, whole or not at all, over nothing that is there. Raises MachineFault, OSError."""
    from drydown.imaging.contact_sheet import write_contact_sheet

    aside = to.with_name(f"{durable.UNFINISHED_PREFIX}{secrets.token_hex(4)}{durable.UNFINISHED_SUFFIX}")
    aside_picture = aside.with_name(
        f"{durable.UNFINISHED_PREFIX}{secrets.token_hex(4)}{durable.UNFINISHED_SUFFIX}"
    )
    try:
        write_contact_sheet(page, aside, aside_picture, ppi=stock.ppi, icc=stock.icc, long_edge_px=SCREEN_PX)
        for path, name in ((aside_picture, to.with_suffix(".jpg")), (aside, to)):
            path.chmod(_FILE_MODE)
            with path.open("rb") as file:
                durable.fsync_file(file.fileno())
            durable.rename_durable(path, name)
    finally:
        for path in (aside, aside_picture):
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
