"""How far a patch lies from the wanted look, under any error that the printer may have: worked out once, then only looked up.

Tone and balance are shifts on one curve (imaging/tone.py), so a lift and a cast are together three numbers: how much of each ink the print has
too much. They are counted here in CC and called the *excess*; a lift is the same amount of all three, with its sign turned. A patch's
settings and the printer's error add up to one excess, and how far that looks from the wanted print is a smooth function of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.neutral import CODES, MID_L, neutral_response
from drydown.imaging.pcs import Floats
from drydown.imaging.tone import cc_shift
from drydown.proofing.difference import ciede2000

_GRID: Final = 25
_SAMPLES: Final = 64
_CURVE: Final = 2049
#: Nodes of the table along each ink, in CC: dense about the wanted look, where small differences count.
_REACH_CC: Final = 60.0
_NODES: Final = 19
_WARP: Final = 2.6


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """What settings do to the logit of a channel: contrast about mid-grey first, then the excess."""

    contrast: Floats  # (...,)
    excess_cc: Floats  # (..., 3)


class Looks:
    def __init__(self, icc: bytes, samples: Floats, base_contrast=1.0, base_excess=(0,0,0), contrasts=(1.0,)):
        self.r = r = neutral_response(icc, channels=3)
        self.icc = icc
        self.per_cc = cc_shift(r)
        at = np.linspace(0, CODES - 1, _CURVE).round().astype(int)
        self.codes = at / (CODES - 1)
        self.t = (r.L_star[at] - r.black_L) / (r.white_L - r.black_L)
        self.x50 = np.log(r.place(MID_L) / (1 - r.place(MID_L)))
        dev = np.asarray(samples, float)
        self.logit = self.to_logit(dev)
        self.base = self.x50 + base_contrast * (self.logit - self.x50) - self.per_cc * np.asarray(base_excess)
        axis = np.linspace(-1, 1, _NODES)
        self.nodes = _REACH_CC * np.sinh(_WARP * axis) / np.sinh(_WARP)
        g = np.linspace(0, 1, _GRID)
        mesh = np.stack(np.meshgrid(g, g, g, indexing="ij"), -1).reshape(-1, 3)
        self.grid = device_to_lab(icc, mesh).reshape(_GRID, _GRID, _GRID, 3)
        self.wanted = device_to_lab(icc, self.to_device(self.base))
        self.table = self.make()

    def to_logit(self, device):
        out = []
        for k in range(3):
            t = np.interp(device[:, k], self.codes, self.t[:, k]).clip(1e-6, 1 - 1e-6)
            out.append(np.log(t / (1 - t)))
        return np.stack(out, 1)

    def to_device(self, logit):
        t = 1 / (1 + np.exp(-logit))
        return np.stack([np.interp(t[..., k], self.t[:, k], self.codes) for k in range(3)], -1)

    def make(self):
        total = np.zeros((_NODES,) * 3)
        def weights(d):
            place = d * (_GRID - 1)
            base = np.minimum(place.astype(int), _GRID - 2)
            w = np.zeros((len(d), _GRID))
            rows = np.arange(len(d))
            w[rows, base] = 1 - (place - base)
            w[rows, base + 1] = place - base
            return w
        labs=[]
        for x, want in zip(self.base, self.wanted):
            d = self.to_device(x - self.per_cc * self.nodes[:, None])
            W = [weights(d[:, k]) for k in range(3)]
            lab = self.grid
            lab = np.tensordot(W[0], lab, (1, 0))
            lab = np.tensordot(W[1], lab, (1, 1)).transpose(1,0,2,3)
            lab = np.tensordot(W[2], lab, (1, 2)).transpose(1,2,0,3)
            total += ciede2000(lab, want)
        return total / len(self.base)

    def exact(self, e):
        """e (M,3) -> mean dE00 (M,)"""
        out=[]
        for one in np.atleast_2d(e):
            lab = device_to_lab(self.icc, self.to_device(self.base - self.per_cc * one))
            out.append(ciede2000(lab, self.wanted).mean())
        return np.array(out)
