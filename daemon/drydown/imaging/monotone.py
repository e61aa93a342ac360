"""A curve through knots that rises wherever they rise: piecewise cubic Hermite interpolation (PCHIP).

F. N. Fritsch and J. Butland, "A method for constructing local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984): slopes
are weighted harmonic means of the neighbouring chords. SciPy has the same curve and is what the tests hold this one against; it is not used here
because importing it costs every job 40 MB.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drydown.imaging.pcs import Floats


class MonotoneCurve:
    """`x` strictly rising, at least three knots; call it with places inside."""

    def __init__(self, x: Sequence[float], y: Sequence[float]) -> None:
        self._x, self._y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        self._h = np.diff(self._x)
        self._chord = np.diff(self._y) / self._h
        self._slope = _slopes(self._h, self._chord)

    def __call__(self, at: Floats) -> Floats:
        """Values at `at`, any shape."""
        k, s = self._place(at)
        h, chord, left, right = self._h[k], self._chord[k], self._slope[k], self._slope[k + 1]
        c, d = 3 * chord - 2 * left - right, left + right - 2 * chord
        return np.asarray(self._y[k] + h * s * (left + s * (c + s * d)))

    def slope(self, at: Floats) -> Floats:
        """First derivative at `at`, any shape."""
        k, s = self._place(at)
        chord, left, right = self._chord[k], self._slope[k], self._slope[k + 1]
        c, d = 3 * chord - 2 * left - right, left + right - 2 * chord
        return np.asarray(left + s * (2 * c + 3 * s * d))

    def _place(self, at: Floats) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], Floats]:
        k = np.clip(np.searchsorted(self._x, at, side="right") - 1, 0, len(self._h) - 1)
        return k, np.asarray((at - self._x[k]) / self._h[k])


def _slopes(h: Floats, chord: Floats) -> Floats:
    before, after = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    same_way = chord[:-1] * chord[1:] > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (before + after) / (before / chord[:-1] + after / chord[1:])
    inner = np.where(same_way, mean, 0.0)
    first, last = _end(h[0], h[1], chord[0], chord[1]), _end(h[-1], h[-2], chord[-1], chord[-2])
    return np.concatenate([[first], inner, [last]])


def _end(h: float, beyond: float, chord: float, next_chord: float) -> float:
    """Three-point slope at an end, held to what keeps the first piece monotone."""
    slope = ((2 * h + beyond) * chord - h * next_chord) / (h + beyond)
    if slope * chord <= 0:
        return 0.0
    if chord * next_chord <= 0 and abs(slope) > 3 * abs(chord):
        return 3 * chord
    return float(slope)
