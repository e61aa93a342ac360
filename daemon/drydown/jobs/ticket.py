"""The ticket: what a person must do and set for one sheet, a tick list in the order of the hands.

What the stock does not state shows as NOT STATED, never as a guess. Knows the job's spec and the shape of what was made, no pixels.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal, Protocol

from drydown.api import MM_PER_INCH, EdgesMm, Finished, SizeMm
from drydown.jobs.spec import JobSpec, SheetSpec, StockSpec

TICKET_VERSION: Final = 1
COLUMNS: Final = 72
NOT_STATED: Final = "NOT STATED"
Leaf = Literal["single", "recto", "verso"]

_FORMS: Final = {
    "sheet": "the whole sheet",
    "printable": "the sheet's printable area, which is what the driver addresses",
    "picture": "the picture alone, without its margins",
}
#: keys of a stock's [ticket] that have a line of their own; whatever else stands there is added to the driver's lines
_KNOWN: Final = frozenset(
    {
        "printer",
        "media_type",
        "media_name_in_driver",
        "size_name_in_driver",
        "quality",
        "resolution",
        "direction",
        "black_ink",
        "platen",
        "printable_side",
        "media_source",
        "feed_edge",
        "scaling",
        "borderless",
        "placement",
        "driver_colour",
    }
)


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to do. `value` is what to set, empty for a plain task; `stated` is False where the stock does not say it."""

    section: str
    key: str
    text: str
    value: str = ""
    stated: bool = True
    caution: str = ""  #: what goes wrong where it is not minded


class Printed(Protocol):
    """What the lines up to the driver's are told from: a job's spec, or what stands for it where there is no job."""

    @property
    def stock(self) -> StockSpec: ...
    @property
    def sheet(self) -> SheetSpec: ...
    @property
    def margins_mm(self) -> EdgesMm: ...
    @property
    def edition(self) -> str: ...
    @property
    def copies(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Ticket:
    """A ticket as text of at most 72 columns, and as JSON values."""

    text: str
    data: dict[str, Any]

    def json(self) -> str:
        """The data, indented, with a line end."""
        return json.dumps(self.data, indent=2, ensure_ascii=False) + "\n"


def ticket(spec: JobSpec, made: Finished, *, leaf: Leaf = "single") -> Ticket:
    """The ticket of a finished sheet. `leaf` says whether it is a side of a two-sided leaf; `verso` is the second one."""
    lines = tuple(_lines(spec, made, leaf))
    file = _file(spec, made)
    data = {
        "ticket": TICKET_VERSION,
        "job": spec.job,
        "made": spec.made,
        "recipe": spec.recipe,
        "sheet_maker": spec.maker.use,
        "stock": spec.stock.name,
        "sheet": {"name": spec.sheet.name, "pwg": spec.sheet.pwg},
        "file": file,
        "copies": spec.copies,
        "edition": spec.edition,
        "lines": [asdict(line) for line in lines],
        "not_stated": [line.key for line in lines if not line.stated],
    }
    return Ticket(_text(spec, file, lines), data)


def _lines(spec: JobSpec, made: Finished, leaf: Leaf) -> Iterator[Line]:
    for number, note in enumerate(spec.notes, 1):
        yield Line("Before", f"note_{number}", f"{note[:1].upper()}{note[1:]}")
    yield from setting_up(spec, made, leaf)
    yield from _afterwards(spec, leaf)


def setting_up(spec: Printed, made: Finished, leaf: Leaf = "single") -> Iterator[Line]:
    """The lines up to the moment of printing: before, paper, driver."""
    yield from _before()
    yield from _paper(spec, made, leaf)
    yield from _driver(spec, made)


def _before() -> Iterator[Line]:
    yield Line(
        "Before",
        "nozzle_check",
        "Nozzle check since the last hour's pause?",
        caution="clean only on a bad check",
    )
    yield Line("Before", "head_alignment", "Head aligned for the thickness of this paper?")


def _paper(spec: Printed, made: Finished, leaf: Leaf) -> Iterator[Line]:
    section = "Paper"
    lot = f"lot {spec.stock.lot}" if spec.stock.lot else f"lot {NOT_STATED}"
    yield Line(section, "stock", "Stock", f"{spec.stock.name}, {lot}", stated=bool(spec.stock.lot))
    yield Line(
        section,
        "flat",
        "Sheet flat and clean, leading edge uncut and flat",
        caution="a curled or dented sheet strikes the head",
    )
    yield _stated(spec, section, "printable_side", "Printable side")
    yield _stated(spec, section, "media_source", "Fed from")
    yield _stated(spec, section, "platen", "Platen gap")
    first = "left edge" if made.turned else "top"
    yield Line(
        section, "feed", "Goes in first", spec.stock.ticket.get("feed_edge") or f"the picture's {first}"
    )
    if (part := made.record.get("part", "whole")) != "whole":
        second = part in ("second-half", "quarter-3", "quarter-4")
        how = "turned half round, the blank end first" if second else "the end with the strip first"
        caution = "what was printed before must be dry: never feed a wet sheet again"
        yield Line(
            section, "part", "Part of the sheet", f"{part.replace('-', ' ')}; goes in {how}", caution=caution
        )
    if leaf != "single":
        yield Line(section, "side", "Side", "first (recto)" if leaf == "recto" else "second (verso)")
    if leaf == "verso":
        yield Line(
            section,
            "turn_over",
            "Turn the sheet over",
            f"over its {_turning_edge(spec, made)} edge",
            caution="the first side must be dry: never feed a wet sheet again",
        )


def _driver(spec: Printed, made: Finished) -> Iterator[Line]:
    section = "Driver"
    stated = spec.stock.ticket
    yield _stated(spec, section, "printer", "Printer")
    yield Line(section, "size", "Paper size by its PWG name", spec.sheet.pwg)
    yield _stated(spec, section, "size_name_in_driver", "Paper size word for word", quoted=True)
    yield Line(section, "orientation", "Orientation", "landscape" if made.turned else "portrait")
    yield _stated(spec, section, "media_type", "Media type by its PWG name")
    yield _stated(spec, section, "media_name_in_driver", "Media type word for word", quoted=True)
    if made.record.get("other_quality"):
        other = spec.stock.strip_quality
        yield Line(
            section,
            "quality",
            "Quality",
            other,
            caution="not the final's: judge crop and sharpness, not colour",
        )
    else:
        yield _stated(spec, section, "quality", "Quality")
    yield _stated(spec, section, "resolution", "Resolution")
    yield _stated(spec, section, "direction", "Printing direction")
    yield _stated(spec, section, "black_ink", "Black ink")
    yield Line(section, "scaling", "Scaling", f"{stated.get('scaling') or 'none'} (100 %)")
    yield Line(section, "borderless", "Borderless", stated.get("borderless") or "off", caution="it enlarges")
    yield Line(section, "placement", "Placement", _placement(spec, made))
    yield Line(
        section,
        "driver_colour",
        "Driver's colour handling",
        stated.get("driver_colour") or "off",
        caution="off in driver and system: the file holds device values and no profile"
        if made.record.get("chart")
        else "off in exactly one place, driver or system: the file is in the paper's own profile",
    )
    for key, value in stated.items():
        if key not in _KNOWN:
            yield Line(section, key, key.replace("_", " ").capitalize(), value)
    if spec.edition:
        yield Line(section, "edition", "Edition", spec.edition)
    yield Line(section, "copies", "Copies", str(spec.copies))


def _afterwards(spec: JobSpec, leaf: Leaf) -> Iterator[Line]:
    section = "Afterwards"
    dry, cure = spec.stock.dry_minutes, spec.stock.cure_hours
    yield Line(
        section,
        "dry_minutes",
        "Dry before judging",
        NOT_STATED if dry is None else f"{dry:g} minutes, flat and uncovered",
        stated=dry is not None,
        caution="" if leaf == "single" else "a wet sheet must not go through the rollers again",
    )
    yield Line(section, "viewing", "Judge in its own light, seen from", f"{spec.viewing_mm:g} mm")
    yield Line(
        section,
        "cure_hours",
        "Cure before sleeve, glass, stacking, measuring",
        NOT_STATED if cure is None else f"{cure:g} hours",
        stated=cure is not None,
    )


def _stated(spec: Printed, section: str, key: str, text: str, *, quoted: bool = False) -> Line:
    value = spec.stock.ticket.get(key, "").strip()
    shown = f'"{value}"' if quoted and value else value or NOT_STATED
    return Line(section, key, text, shown, stated=bool(value))


def _placement(spec: Printed, made: Finished) -> str:
    """Where the file must lie on the sheet."""
    asked = spec.stock.ticket.get("placement") or "centred"
    if made.form == "sheet":
        return f"{asked}; the file is the whole sheet, do not fit it to the printable area"
    if made.form == "printable":
        return f"{asked}; the file fills the printable area exactly"
    at = made.record.get("picture_mm")
    if not at:
        return f"{asked}, by hand: the file has no margins"
    return f"by hand: {at[0]:.1f} mm from the left and {at[1]:.1f} mm from the top edge of the sheet as seen"


def _turning_edge(spec: Printed, made: Finished) -> Literal["short", "long"]:
    """A leaf turns about its binding edge, so that its two pictures stand upright: the widest margin is taken for that."""
    upright_sides = _binding_side(spec.margins_mm) in ("left", "right", "")
    return "short" if made.turned == upright_sides else "long"


def _binding_side(margins_mm: EdgesMm) -> str:
    """The side with the one widest margin; empty where there is none."""
    sides = {side: getattr(margins_mm, side) for side in ("left", "right", "top", "bottom")}
    widest = max(sides.values())
    found = [side for side, width in sides.items() if width == widest]
    return found[0] if len(found) == 1 else ""


def _file(spec: JobSpec, made: Finished) -> dict[str, Any]:
    ppi = spec.stock.ppi
    size = SizeMm(made.frame.width / ppi * MM_PER_INCH, made.frame.height / ppi * MM_PER_INCH)
    return {
        "form": made.form,
        "holds": _FORMS[made.form],
        "size_mm": [round(size.width, 2), round(size.height, 2)],
        "size_px": [made.frame.width, made.frame.height],
        "ppi": ppi,
        "bits": made.bits,
        "turned": made.turned,
        # a strip is not bound: its margins are those of the final that it shows a region of
        "binding_side": "" if made.record.get("strip") else _binding_side(spec.margins_mm),
    }


def _text(spec: JobSpec, file: dict[str, Any], lines: tuple[Line, ...]) -> str:
    width_mm, height_mm = file["size_mm"]
    width_px, height_px = file["size_px"]
    head = [f"TICKET  job {spec.job}  {spec.made[:16].replace('T', ' ')}", ""]
    head += wrapped("Picture  ", spec.source_name)
    head += wrapped(
        "Made by  ",
        f"{spec.maker.use}, recipe {spec.recipe}, sheet {spec.sheet.name}, stock {spec.stock.name}",
    )
    head += wrapped("File     ", f"{file['holds']}: {width_mm:.1f} x {height_mm:.1f} mm")
    head += wrapped(
        "         ", f"{width_px} x {height_px} pixels at {file['ppi']:g} ppi, {file['bits']} bits"
    )
    if file["binding_side"]:
        side = file["binding_side"]
        head += wrapped("Binding  ", f"{getattr(spec.margins_mm, side):g} mm at the picture's {side}")
    return tick_list(head, lines, stock=spec.stock.name)


def tick_list(head: Sequence[str], lines: Iterable[Line], *, stock: str) -> str:
    """The head, then every line with its box under its section's name; at the end what to do about what is not stated."""
    out, section, missing = list(head), "", False
    for line in lines:
        if line.section != section:
            section = line.section
            out += ["", section]
        out += wrapped("[ ] ", f"{line.text}: {line.value}" if line.value else line.text)
        if line.caution:
            out += wrapped("    ! ", line.caution)
        missing |= not line.stated
    if missing:
        out += [
            "",
            *wrapped("", f"{NOT_STATED}: write it into [ticket] of stock '{stock}' once it is known."),
        ]
    return "\n".join(out) + "\n"


def wrapped(lead: str, text: str) -> list[str]:
    """A text in lines of at most 72 columns, the later ones indented as far as `lead` reaches."""
    plain = " ".join(text.split())
    return textwrap.wrap(
        lead + plain, COLUMNS, subsequent_indent=" " * len(lead), drop_whitespace=True, break_on_hyphens=False
    ) or [lead.rstrip()]
