"""How good a printer profile's tables are, measured against the model that they were made from.

The tables are read here in floating point; what a colour engine makes of the written profile is for the tests.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.imaging.icc_tags import Lut16
from drydown.imaging.pcs import Floats, media_relative, xyz_from_lab
from drydown.imaging.printer_axes import decode_lab, encode_lab
from drydown.imaging.printer_table import Forward

_COLOURS: Final = 20_000
_GREYS: Final = 2_000
#: Greys are judged from a little above black, where the print can be neutral at all, to just below bare paper.
GREYS_FROM_ABOVE_BLACK_L: Final = 2.0
GREYS_TO_L: Final = 97.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileFigures:
    """Colour differences are CIEDE2000; L* of the sheet is absolute, all else media-relative."""

    paper_lab: tuple[float, float, float]
    black_lab: tuple[float, float, float]
    black_density: float  # -log10 Y, the sheet's own density included
    axis_off_neutral: float  # greatest a*b* along R = G = B
    a2b_mean: float
    a2b_max: float
    b2a_mean: float  # colours in gamut through device-from-Lab, then printed by the model
    b2a_p95: float
    b2a_p99: float
    grey_chroma: float  # greatest a*b* of a grey asked for
    grey_reversal: float  # greatest fall of L* along rising greys, 0 = none


def measure(forward: Forward, tables: Mapping[str, Lut16], *, seed: int = 1) -> ProfileFigures:
    """Figures of `printer_tables(forward)`, or of tables read from anywhere, over 20,000 random device values."""
    paper_Lab, black_Lab = forward(np.array([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]]))

    def printed(device: Floats) -> Floats:
        return media_relative(forward(device), paper_Lab)

    device = np.random.default_rng(seed).random((_COLOURS, 3))
    wanted = printed(device)
    a2b = _delta_e(decode_lab(tables["A2B1"].read(device)), wanted)
    b2a = _delta_e(printed(tables["B2A1"].read(encode_lab(wanted))), wanted)
    lightness = np.linspace(printed(np.zeros((1, 3)))[0, 0] + GREYS_FROM_ABOVE_BLACK_L, GREYS_TO_L, _GREYS)
    asked = np.stack([lightness, np.zeros(_GREYS), np.zeros(_GREYS)], axis=1)
    greys = printed(tables["B2A1"].read(encode_lab(asked)))
    axis = printed(np.repeat(np.linspace(0, 1, 256)[:, None], 3, axis=1))
    return ProfileFigures(
        paper_lab=_three(paper_Lab),
        black_lab=_three(black_Lab),
        black_density=-float(np.log10(xyz_from_lab(black_Lab)[1])),
        axis_off_neutral=float(np.hypot(axis[:, 1], axis[:, 2]).max()),
        a2b_mean=float(a2b.mean()),
        a2b_max=float(a2b.max()),
        b2a_mean=float(b2a.mean()),
        b2a_p95=float(np.percentile(b2a, 95)),
        b2a_p99=float(np.percentile(b2a, 99)),
        grey_chroma=float(np.hypot(greys[:, 1], greys[:, 2]).max()),
        grey_reversal=float(max(0.0, -np.diff(greys[:, 0]).min())),
    )


def _delta_e(first: Floats, second: Floats) -> Floats:
    from colour.difference import delta_E_CIE2000  # half a second to import: only where it is used

    return np.asarray(delta_E_CIE2000(first, second))


def _three(Lab: Floats) -> tuple[float, float, float]:
    L_star, a_star, b_star = (float(part) for part in Lab)
    return L_star, a_star, b_star
