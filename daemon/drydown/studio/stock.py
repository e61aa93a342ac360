"""`stocks/*.toml`: a paper on a printer at a quality, and what a person must set in the driver for it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from drydown.api import EdgesMm, Intent, Sheet
from drydown.studio.base import FileModel, Filled, PathText
from drydown.studio.sheets import UnknownSheet, custom_sheet, sheet

BORDERLESS = "borderless is refused, because drivers enlarge the picture by a few per cent to bleed it, so that neither size nor sharpening holds"


class Ticket(FileModel):
    """`[ticket]`: what a person sets in the driver, in the order of the hands. Text as the driver has it; what is missing shows as NOT STATED."""

    printer: str = Field(default="", description="Which printer or queue.")
    media_type: str = Field(
        default="", description="PWG 5101.1 media type, such as photographic-satin or stationery-fine."
    )
    media_name_in_driver: str = Field(
        default="", description="The media type word for word as the driver calls it."
    )
    printable_side: str = Field(default="", description="Which side is coated, and how it lies in the tray.")
    media_source: str = Field(default="", description="Tray or slot, such as rear, main or manual.")
    feed_edge: str = Field(default="", description="Which edge goes in first: short or long.")
    size_name_in_driver: str = Field(
        default="", description="The sheet size word for word as the driver calls it."
    )
    quality: str = Field(default="", description="Print quality; the same for proof and final.")
    resolution: str = Field(default="", description="Ink resolution as the driver has it.")
    direction: str = Field(default="", description="Print head direction: uni or bi.")
    black_ink: str = Field(default="", description="photo or matte.")
    platen: str = Field(default="", description="Platen gap, for thick papers.")
    scaling: str = Field(default="", description="none: the sheet is made at its exact size.")
    borderless: str = Field(default="", description="off; anything else is refused.")
    placement: str = Field(default="", description="Where the driver puts the picture: centred.")
    driver_colour: str = Field(default="", description="off: colour is handled here, and in one place only.")

    @field_validator("borderless")
    @classmethod
    def _no_borderless(cls, value: str) -> str:
        if value and value != "off":
            raise ValueError(f'{BORDERLESS}; write "off", print on a larger sheet and trim')
        return value

    def stated(self) -> dict[str, str]:
        """The keys that say something, in the order of the hands."""
        return {key: text for key, text in self if text}

    def not_stated(self) -> tuple[str, ...]:
        """The keys that say nothing, in the order of the hands."""
        return tuple(key for key, text in self if not text)


#: Every key of `[ticket]`, in the order of the hands.
TICKET_KEYS: tuple[str, ...] = tuple(Ticket.model_fields)


class UnprintableMm(FileModel):
    """`unprintable_mm`: the edges that this printer cannot reach, of the upright sheet as it is fed. All four must be stated."""

    top: float = Field(ge=0, le=150, description="Leading edge, mm.")
    right: float = Field(ge=0, le=150, description="Right edge, mm.")
    bottom: float = Field(ge=0, le=150, description="Trailing edge, mm.")
    left: float = Field(ge=0, le=150, description="Left edge, mm.")

    def edges(self) -> EdgesMm:
        """The same as `EdgesMm`."""
        return EdgesMm(top=self.top, right=self.right, bottom=self.bottom, left=self.left)


class CustomSheet(FileModel):
    """One `[[custom_sheet]]`: a size that no standard names."""

    name: Filled = Field(description="What `sheets` and recipes call it.")
    width_mm: float = Field(ge=50, le=5000, description="One side, mm.")
    height_mm: float = Field(ge=50, le=5000, description="The other side, mm.")

    @field_validator("name")
    @classmethod
    def _not_a_standard_name(cls, value: str) -> str:
        try:
            taken = sheet(value)
        except UnknownSheet:
            return value
        raise ValueError(f'"{value}" is a standard sheet already ({taken.pwg}); give yours another name')


class VerifyLimits(FileModel):
    """When a profile still holds, in CIEDE2000 (greys: distance in a*b*). The defaults are common practice; those of ISO 12647-7 are for contract proofs and do not apply."""

    mean: float = Field(default=1.5, gt=0, le=20, description="Mean over all patches.")
    p95: float = Field(default=3.0, gt=0, le=40, description="95th percentile.")
    greys: float = Field(default=1.0, gt=0, le=20, description="Mean distance of greys in a*b*.")
    paper: float = Field(default=1.5, gt=0, le=20, description="Paper white.")


class StockFile(FileModel):
    """A paper on a printer at a quality: another quality lays down other ink, and needs a stock and a profile of its own."""

    profile: PathText = Field(
        description="The ICC profile of this paper, printer and quality, below the studio or absolute."
    )
    ppi: float = Field(
        ge=72, le=2880, description="Pixels an inch: the driver's own raster (300/600 or 360/720 by make)."
    )
    sheets: tuple[Filled, ...] = Field(min_length=1, description="The sheet sizes kept of this paper.")
    custom_sheet: tuple[CustomSheet, ...] = ()
    price_per_sheet: Mapping[str, Annotated[float, Field(ge=0)]] = Field(
        default_factory=dict, description="What one sheet of each size costs, for the sum of a portfolio run."
    )
    currency: str = Field(
        default="", max_length=12, description="What the prices are counted in, such as EUR."
    )
    intent: Intent = Field(default="relative", description="ICC rendering intent of the conversion.")
    black_point_compensation: bool = Field(
        default=True, description="Map the picture's black to this paper's black."
    )
    unprintable_mm: UnprintableMm | None = Field(
        default=None, description="Edges that the printer cannot reach, mm."
    )
    sharpen_strength: float = Field(
        default=0.4,
        ge=0,
        le=1,
        description="Sharpening where a recipe names none, 0 to 1; matte takes more than gloss.",
    )
    strip_quality: str = Field(
        default="",
        description="Another driver quality for test strips; such a strip tells nothing about colour.",
    )
    refeed: bool = Field(
        default=False, description="Whether a dry printed sheet may go through the printer again."
    )
    dry_minutes: int | None = Field(
        default=None, ge=0, le=10_080, description="Minutes before a print is judged."
    )
    cure_hours: int | None = Field(
        default=None, ge=0, le=1000, description="Hours before it is measured, stacked or glazed."
    )
    lot: str = Field(default="", description="Lot of the paper and ink set.")
    profile_made: date | None = Field(
        default=None, description="When the profile was made, such as 2024-05-01."
    )
    measurement: Literal["M0", "M1", "M2", "M3"] | None = Field(
        default=None, description="ISO 13655 mode that the profile was measured in."
    )
    backing: Literal["white", "black"] | None = Field(
        default=None, description="What lay under the sheet when the profile was measured (ISO 13655)."
    )
    limits: VerifyLimits | None = Field(
        default=None, description="When a verification passes; default: the studio's [verify]."
    )
    grain: Literal["long", "short"] | None = Field(
        default=None, description="Which side of the sheet the paper's grain runs along."
    )
    ticket: Ticket = Ticket()

    @field_validator("price_per_sheet")
    @classmethod
    def _prices_of_kept_sheets(cls, prices: Mapping[str, float], info: ValidationInfo) -> Mapping[str, float]:
        kept = info.data.get("sheets")
        for name in prices:
            if kept is not None and name not in kept:
                raise ValueError(f'"{name}" stands not in sheets; name it as there: {", ".join(kept)}')
        return prices

    def custom_sheets(self) -> tuple[Sheet, ...]:
        """The sheets of its own."""
        return tuple(custom_sheet(own.name, own.width_mm, own.height_mm) for own in self.custom_sheet)

    def sheet(self, name: str) -> Sheet:
        """The sheet of this name, standard or its own, kept or not. Raises `UnknownSheet`."""
        return sheet(name, self.custom_sheets())

    def price(self, sheet: Sheet) -> float | None:
        """What one sheet costs; None where the file does not state it."""
        return next(
            (price for name, price in self.price_per_sheet.items() if self.sheet(name) == sheet), None
        )

    def kept(self) -> tuple[Sheet, ...]:
        """The sheets kept of this paper. Raises `UnknownSheet` on a name that is none."""
        return tuple(self.sheet(name) for name in self.sheets)

    def unprintable(self) -> EdgesMm | None:
        """The edges that the printer cannot reach; None where they are not stated."""
        return self.unprintable_mm.edges() if self.unprintable_mm else None
