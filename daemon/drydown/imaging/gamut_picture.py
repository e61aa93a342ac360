"""A picture of gamuts: cuts through the bodies of several profiles at some lightnesses and some hues, as SVG or as PNG.

The first body is drawn filled, the others as lines; no colour tells them apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Final

import numpy as np
import pyvips

from drydown.imaging.gamut_body import Body
from drydown.imaging.pcs import Floats

LIGHTNESSES: Final = (20, 35, 50, 65, 80, 90)
HUES_DEG: Final = (30, 90, 150, 210, 270, 330)
_COLUMNS: Final = 3
_FIELD: Final = 240  #: side of a panel's field, in units of the drawing
_LEFT, _TOP, _GAP_X, _GAP_Y = 62, 96, 66, 78
_AB: Final = 110  #: a*, b* that a panel shows, either way
_C: Final = 130
_STYLES: Final = (
    'fill="#d4d4d4" stroke="#000" stroke-width="2.2"',
    'fill="none" stroke="#000" stroke-width="1.3" stroke-dasharray="6 3"',
    'fill="none" stroke="#555" stroke-width="1.5" stroke-dasharray="1.5 3"',
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A body with its name."""

    name: str
    body: Body


def gamut_svg(title: str, drawn: Sequence[Drawn]) -> str:
    """Six cuts in a*b* and six in C*L*, of up to three bodies."""
    rows = -(-(len(LIGHTNESSES) + len(HUES_DEG)) // _COLUMNS)
    width = _LEFT + _COLUMNS * (_FIELD + _GAP_X)
    height = _TOP + rows * (_FIELD + _GAP_Y)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" font-family="DejaVu Sans, sans-serif" font-size="13">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="30" font-size="18">{escape(title)}</text>',
        *_legend(drawn),
    ]
    for place, L in enumerate(LIGHTNESSES):
        curves = [one.body.slice_L(L) for one in drawn]
        parts += _panel(place, f"L* {L}", curves, ((-_AB, _AB), (-_AB, _AB)), ("a*", "b*"))
    for place, hue in enumerate(HUES_DEG, len(LIGHTNESSES)):
        curves = [[one.body.slice_hue(hue)] for one in drawn]
        parts += _panel(place, f"hue {hue}°", curves, ((0, _C), (0, 100)), ("C*", "L*"))
    return "".join([*parts, "</svg>"])


def write_picture(svg: str, to: Path) -> None:
    """Write the drawing: as it is for `.svg`, as pixels for `.png`. Raises ValueError for another ending, OSError."""
    if to.suffix.lower() == ".svg":
        to.write_text(svg, encoding="utf-8")
    elif to.suffix.lower() == ".png":
        pixels = pyvips.Image.svgload_buffer(svg.encode(), scale=1.5).flatten(background=255)
        to.write_bytes(pixels.pngsave_buffer(compression=9))
    else:
        raise ValueError(f"a picture ends in .png or .svg, and this one in {to.suffix or 'nothing'}")


def _legend(drawn: Sequence[Drawn]) -> Iterator[str]:
    x = _LEFT
    for one, style in zip(drawn, _STYLES, strict=False):
        yield f'<rect x="{x}" y="47" width="26" height="13" {style}/><text x="{x + 34}" y="58">{escape(one.name)}</text>'
        x += 34 + 8 * len(one.name) + 34


def _panel(
    place: int,
    title: str,
    curves: Sequence[Sequence[Floats]],
    ranges: tuple[tuple[float, float], tuple[float, float]],
    names: tuple[str, str],
) -> Iterator[str]:
    """One field with its axes and the curves of each body; `ranges` of x and y."""
    x0 = _LEFT + place % _COLUMNS * (_FIELD + _GAP_X)
    y0 = _TOP + place // _COLUMNS * (_FIELD + _GAP_Y)
    low, high = (np.array([pair[end] for pair in ranges], dtype=float) for end in (0, 1))
    yield f'<g transform="translate({x0} {y0})"><clipPath id="c{place}"><rect width="{_FIELD}" height="{_FIELD}"/></clipPath>'
    yield f'<text x="0" y="-8" font-weight="bold">{title}</text>'
    yield f'<g clip-path="url(#c{place})">'
    for some, style in zip(curves, _STYLES, strict=False):
        for curve in some:
            if len(curve) < 3:
                continue
            x, y = ((curve - low) / (high - low)).T * _FIELD
            points = " ".join(f"{px:.1f},{_FIELD - py:.1f}" for px, py in zip(x, y, strict=True))
            yield f'<polygon points="{points}" stroke-linejoin="round" {style}/>'
    yield "</g>"
    yield f'<rect width="{_FIELD}" height="{_FIELD}" fill="none" stroke="#999"/>'
    if low[0] < 0:
        middle = _FIELD / 2
        yield f'<path d="M0,{middle}H{_FIELD}M{middle},0V{_FIELD}" stroke="#bbb" fill="none"/>'
    for axis in (0, 1):
        yield from _ticks(axis, low[axis], high[axis], names[axis])
    yield "</g>"


def _ticks(axis: int, low: float, high: float, name: str) -> Iterator[str]:
    for value in range(-100, 101, 50):
        if low <= value <= high:
            at = (value - low) / (high - low) * _FIELD
            words = f"{value}".replace("-", "−")
            if axis == 0:
                yield f'<text x="{at:.1f}" y="{_FIELD + 17}" text-anchor="middle" fill="#555">{words}</text>'
            else:
                yield f'<text x="-7" y="{_FIELD - at + 4:.1f}" text-anchor="end" fill="#555">{words}</text>'
    if axis == 0:
        yield f'<text x="{_FIELD / 2}" y="{_FIELD + 36}" text-anchor="middle">{name}</text>'
    else:
        yield f'<text x="-42" y="{_FIELD / 2}" text-anchor="middle" transform="rotate(-90 -42 {_FIELD / 2})">{name}</text>'
