"""How a stock's verifications drift, as one SVG picture: mean, 95th percentile, greys and paper against their limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from itertools import pairwise
from typing import Final

_WIDTH: Final = 720
_PANEL: Final = 118
_LEFT, _RIGHT, _TOP, _GAP = 62, 20, 64, 34
_HOW: Final = "Dashed: the limit. Hollow square: over it. Joined: one profile, measured in one condition."
_DATE: Final = 76  # the width that a date takes


@dataclass(frozen=True, slots=True)
class Moment:
    """One verification: when (seconds since 1970), each figure with its limit, and what it was measured of."""

    time: float
    figures: dict[str, tuple[float | None, float]]
    words: str  #: condition and profile; a change of these starts a new line


def drift_svg(stock: str, moments: Sequence[Moment]) -> str:
    """One panel a figure, time from left to right. Points that were measured alike are joined; those over their limit are hollow squares.

    Raises ValueError without moments.
    """
    if not moments:
        raise ValueError("there is nothing to draw")
    names = list(moments[-1].figures)
    height = _TOP + len(names) * (_PANEL + _GAP) + 12
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" role="img" font-family="sans-serif" font-size="12">',
        f"<title>Verifications of {escape(stock)}</title>",
        f'<rect width="{_WIDTH}" height="{height}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="24" font-size="15">Verifications of {escape(stock)}, CIEDE2000 (greys: a*b*)</text>',
        f'<text x="{_LEFT}" y="42" fill="#444">{_HOW}</text>',
    ]
    for index, name in enumerate(names):
        parts += _panel(name, moments, _TOP + index * (_PANEL + _GAP))
    return "\n".join([*parts, "</svg>", ""])


def _panel(name: str, moments: Sequence[Moment], top: float) -> Iterator[str]:
    found = [(moment, *moment.figures.get(name, (None, 0.0))) for moment in moments]
    limit = found[-1][2]
    most = 1.15 * max([limit, *(value for _, value, _ in found if value is not None)])
    bottom = top + _PANEL

    def y(value: float) -> float:
        return bottom - value / most * (_PANEL - 18)

    yield f'<text x="{_LEFT}" y="{top + 10}">{escape(name)}</text>'
    yield f'<path d="M{_LEFT} {bottom}H{_WIDTH - _RIGHT}" stroke="#444"/>'
    yield f'<path d="M{_LEFT} {y(limit):.1f}H{_WIDTH - _RIGHT}" stroke="#444" stroke-dasharray="6 4"/>'
    yield f'<text x="{_LEFT - 8}" y="{y(limit) + 4:.1f}" text-anchor="end">{limit:g}</text>'
    yield f'<text x="{_LEFT - 8}" y="{bottom + 4}" text-anchor="end">0</text>'
    xs = _across(moments)
    for here, there in pairwise(range(len(found))):
        (first, low, _), (second, high, _) = found[here], found[there]
        if low is not None and high is not None and first.words == second.words:
            yield f'<path d="M{xs[here]:.1f} {y(low):.1f}L{xs[there]:.1f} {y(high):.1f}" stroke="#444" stroke-width="1.5"/>'
    dated = 0.0  # up to where the last date reaches
    for (moment, value, own_limit), x in zip(found, xs, strict=True):
        day = datetime.fromtimestamp(moment.time).strftime("%Y-%m-%d")
        if x - _DATE / 2 >= dated:
            dated = x + _DATE / 2
            yield f'<text x="{x:.1f}" y="{bottom + 17}" text-anchor="middle" font-size="11">{day}</text>'
        if value is not None:
            said = f"<title>{day}: {value:.2f} (limit {own_limit:g}), {escape(moment.words)}</title>"
            over = value > own_limit
            yield (
                f'<rect x="{x - 5:.1f}" y="{y(value) - 5:.1f}" width="10" height="10" fill="#fff" stroke="#000" stroke-width="2">{said}</rect>'
                if over
                else f'<circle cx="{x:.1f}" cy="{y(value):.1f}" r="4">{said}</circle>'
            )


def _across(moments: Sequence[Moment]) -> list[float]:
    """Where each stands from left to right: by time, and where that would put two on one spot, evenly."""
    left, width = _LEFT + 40, _WIDTH - _LEFT - _RIGHT - 80
    times = [moment.time for moment in moments]
    span = times[-1] - times[0]
    if len(times) == 1:
        return [left + width / 2]
    by_time = [left + (time - times[0]) / span * width if span > 0 else left for time in times]
    if min(second - first for first, second in pairwise(by_time)) >= 12:
        return by_time
    return [left + number / (len(times) - 1) * width for number in range(len(times))]
