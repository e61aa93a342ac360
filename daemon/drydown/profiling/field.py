"""A smooth function through noisy readings, which finds out by itself how smooth it has to be.

A Gaussian process (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, chapters 2 and 5) whose covariance is a sum of what printers are made
of: a plane; one curve a channel, because each channel's own curve is the roughest thing about a driver; and a field over the three channels together, with a length for
each, which holds what inks do to each other. Strengths, lengths and the noise are those under which the readings are most likely; so noise is averaged away and not followed.
Curves are of Matérn's kind (5/2: two derivatives, equation 4.17); so is the field, with a share of 3/2 (one derivative) for the creases that drivers have where black or
another ink sets in. On simulated printers the share bettered the 95th percentile from 918 patches by a twentieth and cost nothing from 288.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from drydown.imaging.pcs import Floats

_LEARN_FROM: Final = 280  # readings that strengths and lengths are learned from; the cube of it is the time
_ROUNDS: Final = 30
_AT_ONCE: Final = 100  # places predicted in one go: 100 x 918 doubles stay in a processor's own memory
_CREASED: Final = 0.3
_PLANE: Final = 1e4  # variance of the plane's height and slopes: as good as free, in units of Lab

#: The numbers of `_Hyper`, all natural logarithms: variance and length of each channel's curve, variance and three lengths of the field, variance of the noise.
_CURVES, _FIELD, _LENGTHS, _NOISE = slice(0, 6), 6, slice(7, 10), 10
#: How far each may stray from what is expected (standard deviation): variances much, lengths and noise less. Chosen on simulated printers, no source.
_DOUBT: Final = np.array([3.0, 1.0] * 3 + [3.0] + [1.0] * 3 + [1.5])
_EXPECTED_LENGTHS: Final = np.log([0.7, 1.5])  # of a curve, of the field, in units of the channel's range
_EXPECTED_NOISE: Final = np.log(0.3**2)


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """A fitted function of device values for one number."""

    device: Floats  # (N, 3)
    hyper: Floats  # (11,)
    mean: float
    weights: Floats  # (N,)
    left_out: Floats  # (N,) each reading less what the others promise for it
    left_out_deviation: Floats  # (N,) how far that is expected to be off, noise included

    @property
    def noise(self) -> float:
        """Deviation of a single reading."""
        return float(np.exp(self.hyper[_NOISE] / 2))

    def __call__(self, device: Floats) -> Floats:
        """Values (M,) at device values (M, 3)."""
        parts = np.array_split(device, max(1, -(-len(device) // _AT_ONCE)))
        return (
            np.concatenate([_covariance(part, self.device, self.hyper) @ self.weights for part in parts])
            + self.mean
        )


def learn(device: Floats, values: Floats) -> Floats:
    """The numbers (11,) under which `values` (N,) at device values (N, 3) are most likely; at most 280 of them are looked at."""
    chosen = np.random.default_rng(0).permutation(len(device))[:_LEARN_FROM]
    x, y = device[chosen], values[chosen] - values.mean()
    squares = [(x[:, [j]] - x[:, j]) ** 2 for j in range(3)]
    spread = np.log(y.var() + 1e-9)
    expected = np.concatenate(
        [[spread, _EXPECTED_LENGTHS[0]] * 3, [spread], [_EXPECTED_LENGTHS[1]] * 3, [_EXPECTED_NOISE]]
    )
    reach = np.where(_DOUBT > 2, 10.0, 3.0)
    plane = _plane(x, x)

    def unlikelihood(hyper: Floats) -> tuple[float, Floats]:
        strayed = (hyper - expected) / _DOUBT
        value, slopes = _unlikelihood(hyper, squares, plane, y)
        return value + 0.5 * float(strayed @ strayed), slopes + strayed / _DOUBT

    found = minimize(
        unlikelihood,
        expected,
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(expected - reach, expected + reach, strict=True)),
        options={"maxiter": _ROUNDS, "maxfun": _ROUNDS + _ROUNDS // 3},
    )
    return np.asarray(found.x)


def fit(device: Floats, values: Floats, hyper: Floats, readings: Floats) -> Field:
    """The function through all `values` (N,) with numbers learned before; `readings` (N,): how many readings each value is the mean of."""
    mean = float(values.mean())
    covariance = _covariance(device, device, hyper)
    covariance[np.diag_indices_from(covariance)] += np.exp(hyper[_NOISE]) / readings
    inverse = cho_solve(cho_factor(covariance, lower=True), np.eye(len(device)))
    weights = inverse @ (values - mean)
    alone = np.diag(inverse)  # leaving one out in closed form: Rasmussen and Williams, equations 5.10 to 5.12
    return Field(device, hyper, mean, weights, weights / alone, 1 / np.sqrt(alone))


def _matern(squares: Floats) -> Floats:
    """Covariance at squared distances in lengths."""
    r, decay = _decayed(5, squares)
    return np.asarray((1 + r + r * r / 3) * decay)


def _matern_and_slope(squares: Floats) -> tuple[Floats, Floats]:
    """The same, and its slope by the square."""
    r, decay = _decayed(5, squares)
    return (1 + r + r * r / 3) * decay, -5 / 6 * (1 + r) * decay


def _creased(squares: Floats) -> Floats:
    """The field's covariance: 5/2 with `_CREASED` of 3/2."""
    r, decay = _decayed(3, squares)
    return np.asarray((1 - _CREASED) * _matern(squares) + (1 + r) * (_CREASED * decay))


def _creased_and_slope(squares: Floats) -> tuple[Floats, Floats]:
    """The same, and its slope by the square."""
    smooth, slope = _matern_and_slope(squares)
    r, decay = _decayed(3, squares)
    decay = _CREASED * decay
    return (1 - _CREASED) * smooth + (1 + r) * decay, (1 - _CREASED) * slope - 1.5 * decay


def _decayed(power: int, squares: Floats) -> tuple[Floats, Floats]:
    # here and below in place where it reads well: fresh memory for each intermediate costs as much as the arithmetic
    r = power * squares
    np.sqrt(r, out=r)
    decay = -r
    return r, np.exp(decay, out=decay)


def _plane(one: Floats, other: Floats) -> Floats:
    return np.asarray(_PLANE * (1 + (one - 0.5) @ (other - 0.5).T))


def _covariance(one: Floats, other: Floats, hyper: Floats) -> Floats:
    """(M, N) between places (M, 3) and (N, 3), without noise."""
    total = _plane(one, other)
    for channel, (variance, length) in enumerate(_curves(hyper)):
        places, which = np.unique(one[:, channel], return_inverse=True)  # a grid has few of them
        squares = ((places[:, np.newaxis] - other[:, channel]) / length) ** 2
        total += (variance * _matern(squares))[which]
    near, far = one / np.exp(hyper[_LENGTHS]), other / np.exp(hyper[_LENGTHS])
    squares = (near**2).sum(axis=1)[:, np.newaxis] + (far**2).sum(axis=1)
    squares -= 2 * near @ far.T
    creased = _creased(np.maximum(squares, 0, out=squares))
    creased *= np.exp(hyper[_FIELD])
    total += creased
    return total


def _curves(hyper: Floats) -> Iterator[tuple[float, float]]:
    """Variance and length of each channel's curve."""
    for variance, length in np.exp(hyper[_CURVES]).reshape(3, 2):
        yield float(variance), float(length)


def _unlikelihood(hyper: Floats, squares: list[Floats], plane: Floats, y: Floats) -> tuple[float, Floats]:
    """Minus the logarithm of the likelihood, less a constant, and its slopes (equations 5.8 and 5.9)."""
    covariance, changes = plane.copy(), []
    for channel, (variance, length) in enumerate(_curves(hyper)):
        scaled = squares[channel] / length**2
        part, slope = _matern_and_slope(scaled)
        part *= variance
        covariance += part
        slope *= -2 * variance
        slope *= scaled
        changes += [part, slope]
    each = [squares[channel] / np.exp(2 * hyper[7 + channel]) for channel in range(3)]
    part, slope = _creased_and_slope(each[0] + each[1] + each[2])
    strength = np.exp(hyper[_FIELD])
    part *= strength
    covariance += part
    slope *= -2 * strength
    changes += [part] + [slope * scaled for scaled in each]
    noise = np.exp(hyper[_NOISE])
    covariance[np.diag_indices_from(covariance)] += noise
    factor = cho_factor(covariance, lower=True)
    inverse = cho_solve(factor, np.eye(len(y)))
    weights = inverse @ y
    pull = inverse - np.outer(weights, weights)
    slopes = [float(np.vdot(pull, change)) for change in changes] + [float(noise * np.trace(pull))]
    return float(0.5 * y @ weights + np.log(np.diag(factor[0])).sum()), 0.5 * np.array(slopes)
