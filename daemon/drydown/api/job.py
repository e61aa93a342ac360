"""What a step may know of its job: sheet, stock, margins, viewing distance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from drydown.api.values import EdgesMm, Intent, SizeMm


@dataclass(frozen=True, slots=True)
class Sheet:
    """A piece of paper, upright: `size` has the shorter side as its width."""

    name: str  #: as the studio says it: `letter`, `11x17`, `A3+`
    size: SizeMm
    pwg: str  #: PWG 5101.1 self-describing name, such as `na_ledger_11x17in`; `custom_…` where the standard has none


@dataclass(frozen=True, slots=True)
class Stock:
    """A paper on a printer at a quality, as a job sees it."""

    name: str
    profile: Path  #: the profile's snapshot; libvips takes it by name
    icc: bytes = field(repr=False)
    ppi: float
    intent: Intent = "relative"
    black_point_compensation: bool = True
    unprintable_mm: EdgesMm | None = (
        None  #: of the upright sheet as it is fed; None where the stock does not state it
    )
    sharpen_strength: float = 0.4  #: `sharpen`'s default on this stock: matte takes more than gloss
    #: what a person must set in the driver, as written
    ticket: Mapping[str, str] = field(default_factory=dict)
    lot: str = ""  #: of paper and ink
    dry_minutes: int | None = None  #: before a print may be judged
    refeed: bool = False  #: whether a dry printed sheet may go through the printer again
    strip_quality: str = (
        ""  #: another quality for test strips, which then tell nothing about colour; empty: the final's
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a step may know of its job."""

    id: str
    source: Path
    scratch: Path  #: a folder of this attempt alone; gone afterwards
    stock: Stock
    sheet: Sheet  #: the sheet that this job prints on (letter for a strip)
    final_sheet: Sheet  #: the sheet that the recipe is for
    margins_mm: EdgesMm  #: of the final sheet, round the picture *seen upright*, binding included (`leaf` already applied)
    viewing_mm: float = 400.0
    light: str = ""  #: the light that prints are judged under
    anyway: bool = False  #: a person has said that a `Hold` is to be passed over
    recipe: str = ""
    copies: int = 1
    edition: str = ""
    made: str = ""  #: local date of the job, ISO 8601, for the slug
    facts: Mapping[str, str] = field(
        default_factory=dict
    )  #: what else the slug and the record may say (settings in short, plugin versions)

    def picture(self, *, turned: bool) -> SizeMm:
        """The room for the picture: the final sheet, upright or turned on its side, less its margins."""
        size = self.final_sheet.size
        return self.margins_mm.inside(size.turned() if turned else size)

    @staticmethod
    def turned_for(width: float, height: float) -> bool:
        """Whether the sheet lies on its side for a picture of this shape: one rule for every step and sheet maker."""
        return width > height
