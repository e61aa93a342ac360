"""Weighing every error that the printer may have by how well it explains what was named.

The errors are a lattice: first over everything believed possible, with the eye's noise widened by the lattice's own pitch, then twice again
over the ellipsoid that is left. Nothing is drawn by chance: the same ranking gives the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import Arithmetic, together
from drydown.proofing.look import Looks
from drydown.proofing.prior import REACH_CC, REACH_LOG, density
from drydown.proofing.proof import Judged, Proof
from drydown.proofing.ranking import log_likelihood, misfit_dE

__all__ = ["Judged", "Posterior", "Proof", "infer"]

#: Points an axis in the first, the middle and the last stage: 3,375, 2,197 and 3,375 errors; with contrast 9,375, 4,096 and 6,561.
_POINTS: Final = ((15, 13, 15), (15, 8, 9))
_POINTS_OF_CONTRAST: Final = 5
_FIRST_WARP: Final = 2.2
#: How far a box reaches, in standard deviations of what is left.
_SPAN: Final = 3.3
#: Part of a lattice's pitch (as ΔE00) that the noise is widened by, and the pitch of the first lattice about its middle.
_BLUR: Final = 0.3
_FIRST_PITCH_CC: Final = 5.0
_LEAST_CC: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """What is believed of the printer's error after the rankings: `errors` (H, d) with `weights` (H,) that add up to 1."""

    proof: Proof
    strips: tuple[Judged, ...]
    arithmetic: Arithmetic = field(repr=False)
    looks: Looks = field(repr=False)
    errors: Floats = field(repr=False)
    weights: Floats = field(repr=False)
    distances: tuple[Floats, ...] = field(repr=False)  #: of each strip's patches under every error, (H, P)

    @property
    def mean(self) -> Floats:
        return np.asarray(self.weights @ self.errors)

    @property
    def covariance(self) -> Floats:
        off = self.errors - self.mean
        return np.asarray((off * self.weights[:, np.newaxis]).T @ off)

    def expected_dE(self, place: Floats) -> float:
        """Mean ΔE00 from the wanted look at a place (d,), over all errors by their weight."""
        shown = together(place[np.newaxis], self.errors)[:, 0]
        return float(self.weights @ self.looks.distance(shown))

    def misfit_dE(self) -> float:
        """Root mean square of `ranking.misfit_dE` over all that was named, for the error that explains it best."""
        misfits = [
            misfit_dE(distances, _ranking(strip))
            for distances, strip in zip(self.distances, self.strips, strict=True)
        ]
        return float(np.sqrt((np.concatenate(misfits, axis=1) ** 2).mean(axis=1)).min())

    def misplaced(self) -> str:
        """Of one strip: which named patch is out of place, and against which other, for the error that explains the ranking best."""
        strip, distances = self.strips[0], self.distances[0]
        names, ranking = list(strip.patches), _ranking(strip)
        misfits = misfit_dE(distances, ranking)
        at = int((misfits**2).sum(axis=1).argmin())
        worst = int(misfits[at].argmax())
        left = [index for index in range(len(names)) if index not in ranking[: worst + 1]]
        nearer = min(left, key=lambda index: distances[at, index])
        by = float(misfits[at, worst])
        return f"{names[nearer]} looks better than {names[ranking[worst]]} by ΔE00 {by:.1f}"


def infer(proof: Proof, strips: Sequence[Judged]) -> Posterior:
    """What the rankings of these strips say of the printer's error. Raises ValueError for a strip that varies what the proof does not know."""
    model, table = proof.arithmetic(), proof.looks()
    judged = _read(proof, model, strips)
    size = model.dimensions
    mean: Floats = np.zeros(size)
    root: Floats = np.eye(size)
    pitch = _FIRST_PITCH_CC
    for stage, points in enumerate(_POINTS[size - 3]):
        is_last = stage == len(_POINTS[size - 3]) - 1
        if stage == 0:
            errors, volume = _first_lattice(points, size)
        else:
            errors, volume = mean + _SPAN * _lattice(points, size) @ root.T, np.ones(points**size)
        belief = density(errors) * volume
        errors, belief = errors[belief > 0], belief[belief > 0]
        step_dE = pitch * float(np.sqrt(np.diag(table.metric)[:3].mean()))
        distances = tuple(table.distance(together(places, errors)) for places in judged)
        rankings = [_ranking(strip) for strip in strips]
        weights = _weights(distances, rankings, belief, blur_dE=0.0 if is_last else _BLUR * step_dE)
        mean = np.asarray(weights @ errors, dtype=np.float64)
        spread = (errors - mean).T @ ((errors - mean) * weights[:, np.newaxis])
        least = _LEAST_CC if stage else _FIRST_PITCH_CC / 3
        root = np.asarray(np.linalg.cholesky(spread + np.diag(_in_units(least, size) ** 2)), dtype=np.float64)
        pitch = 2 * _SPAN * float(np.linalg.norm(root[:3, :3], 2)) / _POINTS[size - 3][min(stage + 1, 2)]
    return Posterior(
        proof=proof,
        strips=tuple(strips),
        arithmetic=model,
        looks=table,
        errors=errors,
        weights=weights,
        distances=distances,
    )


def _weights(
    distances: Sequence[Floats], rankings: Sequence[Sequence[int]], belief: Floats, *, blur_dE: float
) -> Floats:
    by_noise: Floats = np.zeros(1)
    for strip, ranking in zip(distances, rankings, strict=True):
        by_noise = by_noise + log_likelihood(strip, ranking, blur_dE=blur_dE)
    top = by_noise.max()
    weights = belief * np.exp(by_noise - top).sum(axis=0)
    return np.asarray(weights / weights.sum())


def _read(proof: Proof, model: Arithmetic, strips: Sequence[Judged]) -> list[Floats]:
    """The places (P, d) of each strip's patches."""
    out = []
    for strip in strips:
        unknown = sorted({key for values in strip.patches.values() for key in values} - proof.roles.keys())
        if unknown:
            raise ValueError(
                f"the strip also varies {', '.join(unknown)}, of which a ranking tells nothing; choose one patch instead"
            )
        out.append(np.stack([model.place(proof.by_role(values)) for values in strip.patches.values()]))
    return out


def _ranking(strip: Judged) -> list[int]:
    """What was named, as numbers among the strip's patches."""
    names = list(strip.patches)
    return [names.index(name) for name in strip.ranking]


def _first_lattice(points: int, size: int) -> tuple[Floats, Floats]:
    """Everything believed possible (n, d), closer about no error, and the volume that each point stands for."""
    along = np.sinh(_FIRST_WARP * np.linspace(-1, 1, points)) / np.sinh(_FIRST_WARP)
    axes = [REACH_CC * along] * 3
    if size > 3:
        axes.append(REACH_LOG * np.linspace(-1, 1, _POINTS_OF_CONTRAST))
    widths = [np.gradient(axis) for axis in axes]
    nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, size)
    volume = np.prod(np.stack(np.meshgrid(*widths, indexing="ij"), axis=-1), axis=-1).ravel()
    return nodes, volume


def _lattice(points: int, size: int) -> Floats:
    axis = np.linspace(-1, 1, points)
    return np.stack(np.meshgrid(*[axis] * size, indexing="ij"), axis=-1).reshape(-1, size)


def _in_units(least_cc: float, size: int) -> Floats:
    """The same smallness for ink (CC) and for contrast (a logarithm)."""
    return np.array([least_cc] * 3 + [least_cc / 100] * (size - 3))
