"""Printers to make profiles of: four of the product's own ink model, and a family built on other physics, for judging a fit on what it was not made for.

An RGB driver of a photo inkjet mixes six to ten inks by rules with corners: black that sets in at a threshold and takes inks away, light inks
that hand over to full ones, spot inks between, a limit on all ink together. `foreign(kind, seed)` draws one such printer; nothing here is shared with
`drydown.imaging.ink_model` but the observer. All numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drydown.demo.paper import matte_model, pearl_model
from drydown.imaging.ink_model import BANDS_NM, XYZ_WEIGHTS, Band, Driver, Ink
from drydown.imaging.pcs import lab_from_xyz, media_absolute, xyz_from_lab

Floats = NDArray[np.float64]
Forward = Callable[[Floats], Floats]
KINDS = ("threshold black", "spot inks", "dye", "matte", "picture mode", "wide spread")


@cache
def house() -> dict[str, Forward]:
    """The four: the demonstration's pearl, other inks with more dot gain, a blue whose hue is twisted towards red, and a dark matte."""
    pearl = pearl_model()
    other = replace(
        pearl.inks,
        cyan=Ink((Band(655, 64, 1.35), Band(600, 30, 0.2), Band(400, 40, 0.2)), 0.03),
        magenta=Ink((Band(535, 38, 1.5), Band(440, 46, 0.22)), 0.02),
        yellow=Ink((Band(438, 34, 1.4), Band(480, 22, 0.2)), 0.02),
    )
    twisted = replace(
        pearl.inks,
        cyan=Ink((Band(620, 66, 1.3), Band(560, 34, 0.45), Band(410, 42, 0.2)), 0.03),
        magenta=Ink((Band(555, 42, 1.6), Band(430, 50, 0.15)), 0.02),
    )
    matte = matte_model()
    return {
        "pearl": pearl.lab,
        "other inks, more gain": replace(
            pearl,
            inks=other,
            paper=replace(pearl.paper, dot_gain=0.24, n=2.6),
            driver=Driver(sag=(0.1, 0.2, 0.5)),
        ).lab,
        "twisted blue": replace(pearl, inks=twisted).lab,
        "dark matte": replace(matte, paper=replace(matte.paper, reflectance=0.8, uptake=0.55)).lab,
    }


def foreign(kind: str, seed: int = 0) -> Forward:
    """`device (N, 3) -> absolute Lab (N, 3)` of a printer of this kind, its numbers drawn by `seed`."""
    random = np.random.default_rng([KINDS.index(kind), seed])
    if kind == "picture mode":
        return _picture_mode(random)
    return _Halftone(random, kind).lab


def _bell(centre: float, width: float) -> Floats:
    return np.asarray(np.exp(-0.5 * np.abs((BANDS_NM - centre) / width) ** 2.4))


def _curve(random: np.random.Generator, bend: float, rough: float) -> Callable[[Floats], Floats]:
    """A driver's table of seven to ten numbers, read by straight lines: rising, from 0 to 1, with corners."""
    x = np.linspace(0, 1, int(random.integers(7, 11)))
    y = x**bend + rough * random.normal(0, 1, len(x)) * np.sin(np.pi * x)
    y = np.maximum.accumulate(np.clip(y, 0, 1))
    y = (y - y[0]) / (y[-1] - y[0])
    return lambda amount: np.interp(amount, x, y)


@dataclass
class _Halftone:
    random: np.random.Generator
    kind: str

    def __post_init__(self) -> None:
        r, u = self.random, self.random.uniform
        matte = self.kind == "matte"
        depth = 0.62 if matte else u(0.9, 1.1)
        c = 1.5 * depth * (_bell(u(630, 650), 60) + 0.25 * _bell(590, 40)) + 0.10 * _bell(420, 50)
        m = 1.6 * depth * (_bell(u(535, 555), 36) + 0.3 * _bell(505, 24)) + u(0.2, 0.4) * _bell(430, 45)
        y = 1.5 * depth * _bell(u(425, 440), 42) + 0.15 * _bell(480, 20)
        k = (1.0 if matte else u(1.7, 2.1)) + 0.15 * _bell(450, 80)
        o = 1.4 * depth * _bell(470, 60)  # orange: all that is short
        g = 1.3 * depth * (_bell(420, 45) + _bell(650, 50))
        v = 1.3 * depth * _bell(u(570, 590), 45)
        self.inks = np.stack([c, 0.33 * c, m, 0.33 * m, y, k, o, g, v]) * u(0.92, 1.08)
        self.curves = [_curve(r, u(1.0, 1.7), 0.012) for _ in range(3)]
        self.onset, self.power = u(0.25, 0.6), u(1.2, 2.2)
        self.black, self.removal = u(0.7, 1.0), u(0.2, 0.6)
        self.limit = u(2.1, 2.8)
        self.light = self.kind in ("threshold black", "spot inks")
        self.spot = u(0.4, 0.8) if self.kind == "spot inks" else 0.0
        self.n = {"matte": u(1.2, 1.8), "wide spread": u(4, 12), "dye": 1.0}.get(self.kind, u(1.5, 3.0))
        self.gain = u(0.08, 0.22, 9)
        self.cross = np.eye(3) + u(-0.06, 0.06, (3, 3)) * (1 - np.eye(3))
        self.surface = u(0.02, 0.03) if matte else u(0.003, 0.009)
        lift, cream = (u(0.0, 0.03), u(0.03, 0.1)) if matte else (u(0.02, 0.1), 0.0)
        self.paper = u(0.86, 0.92) + lift * _bell(440, 22) - cream / (1 + np.exp((BANDS_NM - 450) / 25))

    def areas(self, device: Floats) -> Floats:
        asked = np.stack([curve(1 - device[:, i]) for i, curve in enumerate(self.curves)], axis=1)
        asked = np.clip(asked @ self.cross.T, 0, 1)
        least = asked.min(axis=1)
        black = self.black * np.clip((least - self.onset) / (1 - self.onset), 0, 1) ** self.power
        cmy = asked - self.removal * black[:, None] * least[:, None]
        c, m, y = cmy.T
        spots = self.spot * np.stack(
            [
                np.minimum(m, y) - np.minimum(least, c),
                np.minimum(c, y) - np.minimum(least, m),
                np.minimum(c, m) - np.minimum(least, y),
            ],
            axis=1,
        )
        o, g, v = np.clip(spots, 0, 1).T
        m, y, c = m - 0.8 * o - 0.5 * v, y - 0.5 * o - 0.5 * g, c - 0.5 * g - 0.6 * v
        full_c, light_c = self._hand_over(c)
        full_m, light_m = self._hand_over(m)
        amounts = np.clip(np.stack([full_c, light_c, full_m, light_m, y, black, o, g, v], axis=1), 0, 1)
        total = amounts.sum(axis=1, keepdims=True)
        share = np.minimum(1, self.limit / np.maximum(total, 1e-9))
        return np.asarray(np.where(np.arange(9) == 5, amounts, amounts * share))  # black is left alone

    def _hand_over(self, amount: Floats) -> tuple[Floats, Floats]:
        if not self.light:
            return amount, 0 * amount
        full = np.clip((amount - 0.3) / 0.7, 0, 1) ** 1.2
        return full, np.clip(np.minimum(amount / 0.4, 1.6 * (1 - full)), 0, 1) * 0.9

    def lab(self, device: Floats) -> Floats:
        areas = self.areas(np.clip(np.asarray(device, dtype=np.float64), 0, 1))
        if self.kind == "dye":
            scatter = 10 ** -(1.15 * areas @ self.inks)  # Beer's law: the coat soaks up what it is given
            coat = self.paper * scatter
        else:
            spread = np.clip(areas + 4 * self.gain * areas * (1 - areas), 0, 1)
            root = self.paper ** (1 / self.n) * np.ones((len(areas), 1))
            for ink, density in enumerate(self.inks):  # dots of one ink upon the others, one after another
                root = root * (1 - spread[:, [ink]] * (1 - 10 ** (-density / self.n)))
            coat = root**self.n
        return np.asarray(lab_from_xyz((self.surface + (1 - self.surface) * coat) @ XYZ_WEIGHTS))


def _picture_mode(r: np.random.Generator) -> Forward:
    """A driver that takes RGB for a screen's and squeezes it into its inks by a table of 9 x 9 x 9, read by straight lines."""
    from scipy.interpolate import RegularGridInterpolator

    axis = np.linspace(0, 1, 9)
    nodes = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    screen = np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]])
    Lab = lab_from_xyz(nodes**2.2 @ screen.T)
    black = r.uniform(5, 12)
    L = black + (100 - black) * (Lab[:, 0] / 100) ** r.uniform(0.9, 1.1)
    chroma, hue = np.hypot(Lab[:, 1], Lab[:, 2]), np.arctan2(Lab[:, 2], Lab[:, 1])
    hue = hue + 0.12 * np.sin(2 * hue + r.uniform(0, 6)) * chroma / 100
    most = 75 + 15 * np.cos(hue - r.uniform(0, 6)) + 10 * np.cos(2 * hue)
    most = most * np.clip(1.15 - np.abs(L - 58) / 75, 0.3, 1)
    chroma = np.where(chroma < 0.7 * most, chroma, most * (1 - 0.3 * np.exp(-(chroma / most - 0.7) / 0.3)))
    cast = r.uniform(-2, 2, 2)
    printed = np.stack(
        [L, chroma * np.cos(hue) + cast[0] * np.sin(L / 32), chroma * np.sin(hue) + cast[1]], axis=1
    )
    printed = media_absolute(printed, np.array([r.uniform(93, 96), r.uniform(-0.5, 1), r.uniform(-5, 2)]))
    table = RegularGridInterpolator((axis,) * 3, (xyz_from_lab(printed) ** (1 / 3)).reshape(9, 9, 9, 3))
    return lambda device: lab_from_xyz(np.asarray(table(np.clip(device, 0, 1))) ** 3)
