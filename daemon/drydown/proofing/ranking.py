"""How likely a ranking is, if the printer had this error or that: Plackett and Luce's model.

An eye takes the patch that lies nearest the wanted look, but sees every distance only to within its noise. The best is then named with a
probability that falls exponentially with distance, the second likewise among those that are left, and so on (Luce 1959; Plackett 1975).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from drydown.imaging.pcs import Floats

#: Perception noise as a standard deviation of mean ΔE00. Nobody knows a person's, so all three are believed alike:
#: a very good eye, an honest one (1 CC of one ink is ΔE00 0.3 to 0.6), and a tired one.
NOISES_dE: Final = (0.25, 0.5, 1.0)
HONEST_NOISE_dE: Final = 0.5
_GUMBEL: Final = np.sqrt(6) / np.pi  # scale of a Gumbel distribution over its standard deviation


def log_likelihood(distances: Floats, ranking: Sequence[int], *, blur_dE: float = 0.0) -> Floats:
    """Logarithm (noises, H) of the probability that `ranking` (indices of patches, best first) is named.

    `distances` (H, P): of every patch from the wanted look under every hypothesis. `blur_dE` is added to the noise, for hypotheses
    that lie far apart.
    """
    out = []
    others = np.delete(distances, list(ranking), axis=1)
    nearest = distances.min(axis=1, keepdims=True)
    for noise in NOISES_dE:
        scale = np.hypot(noise, blur_dE) * _GUMBEL
        left = np.exp((nearest - others) / scale).sum(axis=1)
        total = np.zeros(len(distances))
        for patch in reversed(ranking):
            worth = (nearest[:, 0] - distances[:, patch]) / scale
            left = left + np.exp(worth)
            total += worth - np.log(np.maximum(left, np.finfo(float).tiny))
        out.append(total)
    return np.array(out)


def misfit_dE(distances: Floats, ranking: Sequence[int]) -> Floats:
    """By how much each named patch (H, named) lies farther from the wanted look than the best of those placed after it; 0 where it does not."""
    left = np.array(distances)
    out = []
    for patch in ranking:
        own = left[:, patch].copy()
        left[:, patch] = np.inf
        best_left = left.min(axis=1)
        out.append(np.maximum(own - best_left, 0) if np.isfinite(best_left).all() else np.zeros(len(own)))
    return np.stack(out, axis=1)
