"""All that a plugin may import, together with `drydown.imaging`.

A *step* is a function `(frame, settings, job) -> frame`: frozen values in, a new value out, no other effect. A *sheet maker*
ends the chain: `(render, settings, job) -> finished`. One hook, `drydown_steps`, offers them; the recipe alone decides what runs and in what order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, Literal, Protocol, TypeVar

import pluggy
from pydantic import BaseModel, ConfigDict, Field

from drydown.errors import Hold, Refusal

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pyvips

__all__ = [
    "API",
    "MM_PER_INCH",
    "Box",
    "EdgesMm",
    "Field",
    "Finished",
    "Frame",
    "Hold",
    "Intent",
    "Job",
    "Note",
    "Offer",
    "Refusal",
    "Render",
    "Settings",
    "Sheet",
    "SheetMaker",
    "SheetOffer",
    "SizeMm",
    "Step",
    "StepOffer",
    "Stock",
    "Value",
    "hookimpl",
    "hookspec",
    "sheet_maker",
    "step",
]

API = 1  #: raised when a step written for the old number could print a wrong sheet
PROJECT = "drydown"  #: pluggy's project name, and the prefix of every hook
MM_PER_INCH = 25.4

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)

#: ICC.1's rendering intents: perceptual, media-relative colorimetric, saturation, ICC-absolute colorimetric.
Intent = Literal["perceptual", "relative", "saturation", "absolute"]
Value = bool | int | float | str  #: what a setting on a test strip may be


class Settings(BaseModel):
    """Settings of one `[[step]]` table. A misspelt key is an error, never a default.

    Give each field its unit in the name (`radius_mm`, `lift_L`), limits and a description: the reference page and the
    editor schema are printed from them.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class SizeMm:
    """A width and a height in millimetres."""

    width: float
    height: float

    def turned(self) -> SizeMm:
        """The same size on its side."""
        return SizeMm(self.height, self.width)

    def px(self, ppi: float) -> tuple[int, int]:
        """Whole pixels at `ppi` pixels an inch, rounded to the nearest."""
        return round(self.width / MM_PER_INCH * ppi), round(self.height / MM_PER_INCH * ppi)


@dataclass(frozen=True, slots=True)
class EdgesMm:
    """Four distances from the edges of a sheet, in millimetres."""

    top: float = 0.0
    right: float = 0.0
    bottom: float = 0.0
    left: float = 0.0

    def turned(self) -> EdgesMm:
        """The edges once the sheet is turned a quarter anticlockwise: what was the top (the feed's leading edge) lies at the left."""
        return EdgesMm(top=self.right, right=self.bottom, bottom=self.left, left=self.top)

    def inside(self, size: SizeMm) -> SizeMm:
        """What these edges leave of `size`."""
        return SizeMm(size.width - self.left - self.right, size.height - self.top - self.bottom)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in whole pixels; `left` and `top` count from the picture's upper left corner."""

    left: int
    top: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Note:
    """Something that a step has to say for the record. `step` is filled in by the runner."""

    text: str
    level: Literal["note", "warning"] = "note"
    step: str = ""
    figures: Mapping[str, float | int | str] = field(
        default_factory=dict
    )  #: the numbers behind the text, for the record


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)  # eq=False: == on a pyvips image makes an image
class Frame:
    """The picture on its way. Never changed: `with_` makes the next one.

    `pixels`: lazy, 16 bits a channel (`ushort`), 1, 3 or 4 colour channels (grey, RGB, CMYK) and, until `flatten`, perhaps one of alpha, not premultiplied.
    `icc`: the profile that the pixels are in, and the only truth about colour; None means untagged, never a guess.
    `ppi`: pixels an inch at the final size.
    """

    pixels: pyvips.Image
    icc: bytes | None
    ppi: float
    source: Path
    notes: tuple[Note, ...] = ()

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.pixels.width)

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.pixels.height)

    @property
    def size_mm(self) -> SizeMm:
        """Size on paper, in millimetres."""
        return SizeMm(self.width / self.ppi * MM_PER_INCH, self.height / self.ppi * MM_PER_INCH)

    def with_(
        self,
        *,
        pixels: pyvips.Image | None = None,
        icc: bytes | Literal["keep"] | None = "keep",
        ppi: float | None = None,
        note: Note | str | None = None,
    ) -> Frame:
        """The next frame: what is given is new, the rest stays."""
        notes = self.notes
        if note is not None:
            notes = (*notes, Note(note) if isinstance(note, str) else note)
        return replace(
            self,
            pixels=self.pixels if pixels is None else pixels,
            icc=self.icc if icc == "keep" else icc,
            ppi=self.ppi if ppi is None else ppi,
            notes=notes,
        )

    def by_rows(
        self, fn: Callable[[npt.NDArray[np.uint16]], npt.NDArray[np.uint16]], *, reach_px: int = 0
    ) -> Frame:
        """Apply a NumPy function in strips, so that memory stays flat.

        `fn` gets (rows, width, bands) uint16 and returns the same height and width (bands may change). With `reach_px` each strip
        has that many rows more above and below, the picture's edge copied, and `fn` returns them too; they are cut off.
        """
        from drydown.imaging.rows import by_rows

        return self.with_(pixels=by_rows(self.pixels, fn, reach_px=reach_px))

    def array(self, *, whole: bool = False) -> npt.NDArray[np.uint16]:
        """The pixels as (height, width, bands) uint16. Refuses more than 4 megapixels unless `whole=True`: see `by_rows`."""
        from drydown.imaging.rows import array

        return array(self.pixels, whole=whole)


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
    strip_quality: str = ""  #: another quality for test strips, which then tell nothing about colour; empty: the final's


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


S_in = TypeVar("S_in", bound=Settings, contravariant=True)
S = TypeVar("S", bound=Settings)


class Step(Protocol[S_in]):
    """Frame in, new frame out, no other effect. Raise `Refusal` or `Hold` for a photograph that cannot go on."""

    def __call__(self, frame: Frame, settings: S_in, job: Job, /) -> Frame: ...


class Render(Protocol):
    """Yields the finished picture, with any setting of any step overridden (`{"balance.magenta": 10}`)."""

    @property
    def size(self) -> tuple[int, int]:
        """Final pixels (width, height); evaluates nothing."""
        ...

    @property
    def companions(self) -> Sequence[Render]:
        """Renders of the other pictures of a group proof, in order; empty for a single picture."""
        ...

    @property
    def picture_name(self) -> str:
        """The picture's name, escaped for showing."""
        ...

    def setting(self, key: str) -> Value | None:
        """The value of `NAME.field` as the recipe stands (None where it is left to the stock). Raises Refusal naming what there is."""
        ...

    def __call__(self, overrides: Mapping[str, Value] = {}, /, *, region: Box | None = None) -> Frame: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finished:
    """What a sheet maker hands over: the sheet, how to write it, and what the record must remember."""

    frame: Frame
    bits: Literal[8, 16] = 16
    compression: Literal["none", "lzw", "zip"] = "none"
    picture: Box | None = None  #: where the picture lies on the sheet: only this part is dithered at 8 bits
    form: Literal["sheet", "printable", "picture"] = "sheet"
    turned: bool = False  #: the sheet lies on its side
    record: Mapping[str, Any] = field(
        default_factory=dict
    )  #: JSON values: placement, or the table of patches that `choose` needs


class SheetMaker(Protocol[S_in]):
    """Ends the chain."""

    def __call__(self, render: Render, settings: S_in, job: Job, /) -> Finished: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class _Offer(Generic[S]):
    name: str  #: lower case with hyphens: what a recipe says after `use =`
    settings: type[S]
    api: int = API
    about: str = ""  #: one line; default: the first line of the function's docstring


@dataclass(frozen=True, slots=True, kw_only=True)
class StepOffer(_Offer[S]):
    """A step on offer.

    `reach_mm`: how far it looks around a pixel (0 = per pixel, None = at the whole picture). `reach` may also be a function of
    (settings, job), for a reach that follows from them. `passes`: "many" where it reads the picture more than once or out of order.
    `resizes`: it may change the number of pixels; a strip cuts its region only after the last such step.
    """

    run: Step[S]
    reach: float | Callable[[Any, Job], float] | None = 0.0
    passes: Literal["one", "many"] = "one"
    resizes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOffer(_Offer[S]):
    """A sheet maker on offer. `passes`: "many" where it renders more than once."""

    run: SheetMaker[S]
    passes: Literal["one", "many"] = "one"


Offer = StepOffer[Any] | SheetOffer[Any]


def step(
    *,
    name: str,
    settings: type[S],
    run: Step[S],
    api: int = API,
    reach: float | Callable[[S, Job], float] | None = 0.0,
    passes: Literal["one", "many"] = "one",
    resizes: bool = False,
    about: str = "",
) -> StepOffer[S]:
    """Offer a step: its name in recipes, its settings, its function, and what it promises (see `StepOffer`)."""
    return StepOffer(
        name=name,
        settings=settings,
        run=run,
        api=api,
        reach=reach,
        passes=passes,
        resizes=resizes,
        about=about or _first_line(run),
    )


def sheet_maker(
    *,
    name: str,
    settings: type[S],
    run: SheetMaker[S],
    api: int = API,
    passes: Literal["one", "many"] = "one",
    about: str = "",
) -> SheetOffer[S]:
    """Offer a sheet maker: its name, the settings of its table in a recipe, and its function."""
    return SheetOffer(
        name=name, settings=settings, run=run, api=api, passes=passes, about=about or _first_line(run)
    )


def _first_line(function: object) -> str:
    return (getattr(function, "__doc__", None) or "").strip().split("\n")[0]


@hookspec
def drydown_steps() -> Iterable[Offer]:
    """Offer steps and sheet makers. Called once when plugins are found; must not look at pixels.

    Example::

        @hookimpl
        def drydown_steps():
            return [step(name="border", settings=Border, run=border)]
    """
    return ()


@hookspec
def drydown_job_finished(job: Mapping[str, Any], outcome: str) -> None:
    """A job has ended; `job` is its record as in `job.json`, `outcome` an RFC 8011 job state.

    May look, never touches pixels; runs in the daemon after publishing. An exception is logged and changes nothing for the job.
    """
