"""Printers that differ from their profile, and an observer who ranks patches with a noisy eye: the ground that the proofing loop is proved on.

The profile is the demonstration's pearl. A printer is the ink model behind it with an error of its own: a hidden cast and tone in the arithmetic of
tone and balance (the *own* kind), or something that this arithmetic cannot say (the *foreign* kinds). How a patch looks is worked out here from the
model and the curves, not from the tables that the inference uses.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from drydown.demo.paper import matte_model, matte_profile, pearl_model, pearl_profile
from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.ink_model import Band, Ink, SimulatedPrinter
from drydown.imaging.neutral import CODES, NeutralResponse, neutral_response
from drydown.imaging.pcs import media_relative
from drydown.imaging.tone import cc_shift, lift_shift
from drydown.proofing.roles import INKS, Role

Floats = NDArray[np.float64]
Error = Callable[[Floats], Floats]
Settings = Mapping[Role, float]

#: The own kind: at most so much of an ink, and of tone.
OWN_CC, OWN_L = 20.0, 6.0


@dataclass(frozen=True)
class Bench:
    """A profile, and a region of a picture on it: skin, near-greys, mid-tones and some saturated colours."""

    icc: bytes
    model: SimulatedPrinter
    seed: int = 3
    each: int = 30

    @cached_property
    def device(self) -> Floats:
        """Samples (N, 3) of the region, 0..1."""
        random, n = np.random.default_rng(self.seed), self.each
        hue = random.uniform(0, 2 * np.pi, n)
        kinds = [
            (random.uniform(45, 80, n), random.normal(15, 4, n), random.normal(18, 4, n)),
            (random.uniform(20, 90, n), random.normal(0, 3, n), random.normal(0, 3, n)),
            (random.uniform(30, 70, n), random.normal(0, 14, n), random.normal(0, 14, n)),
            (random.uniform(35, 70, n), 40 * np.cos(hue), 40 * np.sin(hue)),
        ]
        Lab = np.concatenate([np.stack(kind, axis=1) for kind in kinds])
        return np.clip(lab_to_device(self.icc, random.permutation(Lab)), 0, 1)

    @cached_property
    def wanted(self) -> Floats:
        """What the profile promises for it."""
        return np.asarray(device_to_lab(self.icc, self.device))

    @cached_property
    def paper_Lab(self) -> Floats:
        return np.asarray(self.model.lab(np.ones((1, 3)))[0])

    @cached_property
    def response(self) -> NeutralResponse:
        return neutral_response(self.icc, channels=3)

    def shift(self, settings: Settings) -> Floats:
        """The shift (3,) of each channel's logit."""
        inks = np.array([settings.get(ink, 0.0) for ink in INKS])
        return lift_shift(self.response, settings.get("lift_L", 0.0)) - cc_shift(self.response) * inks

    @cached_property
    def curves(self) -> Floats:
        """L* of each channel, (3, codes): NumPy would copy a column of the response at every look-up."""
        return np.ascontiguousarray(self.response.L_star.T)

    def logit(self, device: Floats) -> Floats:
        L_star = np.stack([np.interp(device[:, k], _AXIS, self.curves[k]) for k in range(3)], axis=1)
        black_L, white_L = self.response.black_L, self.response.white_L
        t = np.clip((L_star - black_L) / (white_L - black_L), 1e-9, 1 - 1e-9)
        return np.asarray(np.log(t / (1 - t)))

    def back(self, logit: Floats) -> Floats:
        response = self.response
        L_star = response.black_L + (response.white_L - response.black_L) / (1 + np.exp(-logit))
        return np.stack([np.interp(L_star[..., k], self.curves[k], _AXIS) for k in range(3)], axis=-1)


_AXIS = np.linspace(0, 1, CODES)


@dataclass(frozen=True)
class Printer:
    """A printer with an error: `model` is what its device values print, `error` what becomes of logits before that.

    Prints are seen in a light to which the profile's own paper is white.
    """

    bench: Bench
    model: SimulatedPrinter
    error: Error

    def distances(self, patches: Sequence[Settings]) -> Floats:
        """Mean ΔE00 (P,) of every patch from the wanted look."""
        return self.distances_at(np.array([self.bench.shift(settings) for settings in patches]))

    def distances_at(self, shifts: Floats) -> Floats:
        logits = self._logits[np.newaxis] + shifts[:, np.newaxis, :]
        device = self.bench.back(self.error(logits))
        Lab = media_relative(self.model.lab(device.reshape(-1, 3)), self.bench.paper_Lab)
        return np.asarray(ciede2000(Lab.reshape(device.shape), self.bench.wanted).mean(axis=1))

    @cached_property
    def _logits(self) -> Floats:
        return self.bench.logit(self.bench.device)

    def floor(self) -> float:
        """The best that any lift, cyan, magenta and yellow can do, by a search that knows the truth."""
        per_cc = cc_shift(self.bench.response)
        found = minimize(
            lambda excess: float(self.distances_at(-per_cc * excess[np.newaxis])[0]),
            np.zeros(3),
            method="Nelder-Mead",
            options={
                "initial_simplex": np.vstack([np.zeros(3), 6 * np.eye(3)]),
                "maxfev": 160,
                "xatol": 0.2,
                "fatol": 0.005,
            },
        )
        return float(found.fun)


@cache
def pearl() -> Bench:
    return Bench(pearl_profile(), pearl_model())


@cache
def matte() -> Bench:
    return Bench(matte_profile(), matte_model())


def own(bench: Bench, random: np.random.Generator, *, scale: float = 1.0) -> Printer:
    """A cast and a tone in the arithmetic of tone and balance: what the inference believes printers to have."""
    cast = random.uniform(-OWN_CC, OWN_CC, 3) * scale
    hidden: Settings = {
        "lift_L": float(random.uniform(-OWN_L, OWN_L)) * scale,
        **dict(zip(INKS, map(float, cast), strict=True)),
    }
    shift = bench.shift(hidden)
    return Printer(bench, bench.model, lambda logit: logit + shift)


def other_inks(bench: Bench, random: np.random.Generator, *, scale: float = 1.0) -> Printer:
    """Every absorption band of every ink up to 10 % stronger or wider, and 10 nm aside: solids move by ΔE00 2 to 4."""

    def varied(ink: Ink) -> Ink:
        return replace(ink, bands=tuple(_varied(band, random, scale) for band in ink.bands))

    inks = bench.model.inks
    changed = replace(
        inks,
        cyan=varied(inks.cyan),
        magenta=varied(inks.magenta),
        yellow=varied(inks.yellow),
        black=varied(inks.black),
    )
    return Printer(bench, replace(bench.model, inks=changed), _none)


def other_gain(bench: Bench, random: np.random.Generator, *, scale: float = 1.0) -> Printer:
    """Dots that spread by up to 6 points more or less, and light that travels farther or less far (n by up to 0.4)."""
    paper = bench.model.paper
    changed = replace(
        paper,
        dot_gain=paper.dot_gain + scale * random.uniform(-0.06, 0.06),
        n=paper.n + scale * random.uniform(-0.4, 0.4),
    )
    return Printer(bench, replace(bench.model, paper=changed), _none)


def split_cast(bench: Bench, random: np.random.Generator, *, scale: float = 1.0) -> Printer:
    """One cast in the shadows and another in the lights, each up to 12 CC an ink, one going over into the other."""
    dark, light = scale * cc_shift(bench.response) * random.uniform(-12, 12, (2, 3))

    def error(logit: Floats) -> Floats:
        t = 1 / (1 + np.exp(-logit))
        return np.asarray(logit + dark * (1 - t) + light * t)

    return Printer(bench, bench.model, error)


def other_paper(bench: Bench, random: np.random.Generator, *, scale: float = 1.0) -> Printer:
    """Another paper: whiter or duller by up to 5 %, bluer or yellower, and taking up to 12 % more or less ink."""
    paper = bench.model.paper
    changed = replace(
        paper,
        reflectance=paper.reflectance * (1 + scale * random.uniform(-0.05, 0.05)),
        blue_lift=paper.blue_lift + scale * random.uniform(-0.07, 0.07),
        yellowing=paper.yellowing * (1 + scale * random.uniform(-0.5, 0.5)),
        uptake=paper.uptake * (1 + scale * random.uniform(-0.12, 0.12)),
    )
    return Printer(bench, replace(bench.model, paper=changed), _none)


def good(bench: Bench, random: np.random.Generator) -> Printer:
    """A printer whose profile is good: a small error of any kind, below ΔE00 1 over the region."""
    while True:
        scale = float(random.uniform(0.05, 0.5))
        kind = (own, other_inks, other_gain, split_cast, other_paper)[int(random.integers(5))]
        printer = kind(bench, random, scale=scale * (0.4 if kind is own else 1.0))
        if printer.distances([{}])[0] < 1:
            return printer


def wrong_stock(bench: Bench, random: np.random.Generator) -> Printer:
    """The matte paper in the printer while the pearl's profile is used; its own white is what the eye adapts to."""
    paper = matte_model().paper
    model = replace(
        matte_model(), paper=replace(paper, dot_gain=paper.dot_gain + random.uniform(-0.03, 0.03))
    )
    white = Bench(bench.icc, model, bench.seed)
    return Printer(white, model, _none)


def _varied(band: Band, random: np.random.Generator, scale: float) -> Band:
    by = scale * random.uniform(-1, 1, 3)
    return replace(
        band,
        density=band.density * (1 + 0.10 * by[0]),
        width_nm=band.width_nm * (1 + 0.10 * by[1]),
        centre_nm=band.centre_nm + 10 * by[2],
    )


def _none(logit: Floats) -> Floats:
    return logit
