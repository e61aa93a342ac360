"""Steps and sheet makers as types, and how a plugin offers them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict

from drydown.api.frame import Frame
from drydown.api.job import Job
from drydown.api.values import Box, Value

API = 1  #: raised when a step written for the old number could print a wrong sheet


class Settings(BaseModel):
    """Settings of one `[[step]]` table. A misspelt key is an error, never a default.

    Give each field its unit in the name (`radius_mm`, `lift_L`), limits and a description: the reference page and the
    editor schema are printed from them.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


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

    def small(self, long_edge_px: int, /) -> Frame:
        """The finished picture with a long edge of at most so many pixels, in memory: for looking at, not for measuring."""
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
