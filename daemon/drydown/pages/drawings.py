"""Lines for the drawings on a page, as SVG path data (SVG 2, 9.3). Numbers in, text out; colours and widths are the style sheet's."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

Point = tuple[float, float]
WIDTH, HEIGHT = 400, 240  #: of a diagram's field, in units of its drawing


def closed(curves: Iterable[Sequence[Point]], width: float, height: float) -> str:
    """Closed curves given in shares of a picture, as one path over a field of that size."""
    parts = []
    for curve in curves:
        points = " ".join(f"{x * width:.1f},{y * height:.1f}" for x, y in curve)
        parts.append(f"M{points}Z")
    return "".join(parts)


def graph(points: Iterable[Point]) -> str:
    """A curve of points in 0..100 both ways, over a diagram's field, origin at the lower left."""
    return "M" + " ".join(f"{x / 100 * WIDTH:.1f},{HEIGHT * (1 - y / 100):.1f}" for x, y in points)


def steps(shares: Sequence[float], most: float) -> str:
    """A histogram's outline over a diagram's field: bars of one width side by side, `most` as high as the field."""
    wide = WIDTH / len(shares)
    path = [f"M0,{HEIGHT}"]
    for place, share in enumerate(shares):
        y = HEIGHT * (1 - min(share / most, 1.0)) if most else HEIGHT
        path.append(f"V{y:.1f}H{(place + 1) * wide:.1f}")
    return "".join([*path, f"V{HEIGHT}"])
