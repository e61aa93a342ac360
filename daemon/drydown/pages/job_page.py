"""The page of one job: what was meant, what the paper makes of it, what was done, and what is to be done with the sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drydown.pages import drawings
from drydown.pages.render import html

_FIELD = 1000.0  #: width of the drawing over a picture
Curve = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture: its JPEG with its size in pixels, what it is called, what it shows, and the words for whoever cannot see it."""

    title: str
    says: str
    alt: str
    jpeg: bytes
    size_px: tuple[int, int]
    surround: str = "grey"  #: or "screen": the screen's own white, which bare paper is seen against


@dataclass(frozen=True, slots=True)
class Level:
    """A threshold of the loss map: ΔE00, the closed curves in shares of the picture, and whether it lies within the profile's own error."""

    limit: float
    curves: Sequence[Curve]
    within_own_error: bool


@dataclass(frozen=True, slots=True)
class LossShown:
    """The loss map. `rows`: (what, its value by each of `intents`)."""

    shot: Shot
    levels: Sequence[Level]
    intents: Sequence[str]
    rows: Sequence[tuple[str, Sequence[str]]]
    advice: str
    own_mean: float
    own_p95: float
    sampled: int


@dataclass(frozen=True, slots=True)
class Histogram:
    """Per cent of the pixels by L*, in bars of one width from 0 to 100; and where paper and black lie. `wished` may be empty."""

    wished: Sequence[float]
    printed: Sequence[float]
    black_L: float


@dataclass(frozen=True, slots=True)
class ToneShown:
    """What the steps after conversion do to true greys: (L* before, L* after), the change at L* 50, and the steps that did it."""

    points: Sequence[tuple[float, float]]
    mid: tuple[float, float, float]  #: change of L*, a*, b*
    steps: Sequence[str]


@dataclass(frozen=True, slots=True)
class StepShown:
    """One step, or the sheet maker: (setting, value, where it comes from)."""

    name: str
    use: str
    offered_by: str
    settings: Sequence[tuple[str, object, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPage:
    """All that the page of a job tells. Names are already fit to be shown (`showing.shown`)."""

    source: str
    job: str
    facts: Sequence[tuple[str, str]]
    shots: Sequence[Shot]
    screen: str
    outside: Sequence[str]  #: what the screen cannot show, in sentences
    loss: LossShown | None
    no_loss: str  #: why there is no loss map
    histogram: Histogram
    tone: ToneShown | None
    steps: Sequence[StepShown]
    ticket: Sequence[Mapping[str, Any]]  #: the ticket's lines: section, text, value, stated, caution
    warnings: Sequence[str]
    notes: Sequence[tuple[str, str]]  #: (step, text)


def job_page(page: JobPage) -> str:
    """The page as HTML."""
    most = max((*page.histogram.wished, *page.histogram.printed), default=0.0)
    return html(
        "job.html",
        page=page,
        loss=None if page.loss is None else _loss(page.loss),
        wished=drawings.steps(page.histogram.wished, most) if page.histogram.wished else "",
        printed=drawings.steps(page.histogram.printed, most),
        black_x=page.histogram.black_L / 100 * drawings.WIDTH,
        tone_path="" if page.tone is None else drawings.graph(page.tone.points),
        width=drawings.WIDTH,
        height=drawings.HEIGHT,
        sections=_sections(page.ticket),
    )


def _loss(loss: LossShown) -> dict[str, Any]:
    width, height = loss.shot.size_px
    field = _FIELD * height / width
    levels = [
        {
            "limit": level.limit,
            "path": drawings.closed(level.curves, _FIELD, field),
            "grey": level.within_own_error,
            "rank": rank,
        }
        for rank, level in enumerate(loss.levels)
    ]
    return {"levels": levels, "width": _FIELD, "height": round(field, 1)}


def _sections(lines: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[Mapping[str, Any]]]]:
    """The ticket's lines under their sections, in order."""
    found: dict[str, list[Mapping[str, Any]]] = {}
    for line in lines:
        found.setdefault(str(line["section"]), []).append(line)
    return list(found.items())
