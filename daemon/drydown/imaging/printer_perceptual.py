"""The perceptual rendering: all of the source's tones and colours, fitted smoothly into what the print can hold.

Two moves, both smooth and both undone in closed form. The source's black becomes the device's black by one affine map
of XYZ, as an even veil of light would do it: mid-tones stay, shadows give way gently. Then strong colours are drawn
towards a grey, hue kept, chroma and lightness giving way together; greys and quiet colours stay. Which grey depends on
the hue: blues are drawn to a darker one than yellows, because that is where a print has its strongest blue and yellow.

In version 2 of ICC the PCS black of this intent is L* 0; version 4 would hand in its reference medium's 3.1373.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from drydown.imaging.pcs import D50_XYZ, Floats, lab_from_xyz, xyz_from_lab
from drydown.imaging.printer_table import DeviceTable

_UNTOUCHED: Final = 0.6  # share of the way from that grey to the gamut's edge that stays as it is
_SOURCE_REACH: Final = 1.5  # what comes to lie on the edge, in the same shares
#: Curvature of the knee: slope 1 where it starts, and through (`_SOURCE_REACH`, 1).
_KNEE: Final = 1 / (1 - _UNTOUCHED) - 1 / (_SOURCE_REACH - _UNTOUCHED)
#: How soon colours near the grey axis are let alone; the higher, the nearer they have to be.
_AXIS_POWER: Final = 8
#: The grey's lightness: this much of the way from the middle of the scale to where the hue is strongest.
_TOWARDS_STRONGEST: Final = 0.6
_HUES: Final = 72
_FACE_POINTS: Final = 49
_NEIGHBOURS: Final = 12


@dataclass(frozen=True, slots=True)
class PerceptualMap:
    """Media-relative Lab of the PCS to that of the print, and back."""

    black_xyz: Floats  # (3,), the device's black, media-relative
    greys: Floats  # (hues,) L* of the grey that each hue is drawn towards, evenly from 0 degrees
    directions: cKDTree  # from that grey to places on the gamut's surface, as unit vectors
    reaches: Floats  # how far away these places are, ΔE*ab
    pcs_black_luminance: float = 0.0

    def to_print(self, Lab: Floats) -> Floats:
        """Where colours (N, 3) of the PCS are to lie on the print."""
        source_black = self.pcs_black_luminance * D50_XYZ
        share = (xyz_from_lab(Lab) - source_black) / (D50_XYZ - source_black)
        veiled = lab_from_xyz(self.black_xyz + share * (D50_XYZ - self.black_xyz))
        return self._drawn(veiled, _compress)

    def to_pcs(self, Lab: Floats) -> Floats:
        """Which colours of the PCS lie at (N, 3) on the print; undoes `to_print` within the gamut."""
        source_black = self.pcs_black_luminance * D50_XYZ
        veiled = xyz_from_lab(self._drawn(Lab, _expand))
        share = (veiled - self.black_xyz) / (D50_XYZ - self.black_xyz)
        return lab_from_xyz(source_black + share * (D50_XYZ - source_black))

    def _drawn(self, Lab: Floats, knee: Callable[[Floats], Floats]) -> Floats:
        """Colours moved along their ray from the grey; `knee` works on shares of the way to the edge."""
        grey = _grey(Lab, self.greys)
        ray = Lab - grey
        length = np.maximum(np.linalg.norm(ray, axis=1), 1e-9)
        share = length / self._edge(ray / length[:, None])
        return np.asarray(grey + ray * (knee(share) / share)[:, None])

    def _edge(self, direction: Floats) -> Floats:
        """Distance (N,) to the gamut's edge, put off to infinity towards black and white so that greys keep still."""
        apart, which = self.directions.query(direction, k=_NEIGHBOURS)
        weight = 1 / (apart**2 + 1e-6)
        reach = (self.reaches[which] * weight).sum(axis=1) / weight.sum(axis=1)
        return np.asarray(reach / np.maximum(1 - np.abs(direction[:, 0]) ** _AXIS_POWER, 1e-6))


def _compress(share: Floats) -> Floats:
    """A hyperbola from `_UNTOUCHED` that reaches 1 at `_SOURCE_REACH`; beyond, the nearest print decides."""
    over = np.clip(share, _UNTOUCHED, _SOURCE_REACH) - _UNTOUCHED
    return np.where(share <= _UNTOUCHED, share, _UNTOUCHED + over / (1 + _KNEE * over))


def _expand(share: Floats) -> Floats:
    """Undoes `_compress` up to the edge; from there on a straight line, so that nothing folds over."""
    over = np.clip(share, _UNTOUCHED, 1) - _UNTOUCHED
    curved = _UNTOUCHED + over / (1 - _KNEE * over)
    return np.where(share <= _UNTOUCHED, share, curved + np.maximum(share - 1, 0))


def perceptual_map(table: DeviceTable, *, pcs_black_L_star: float = 0.0) -> PerceptualMap:
    """The map for a printer whose `table` gives media-relative Lab."""
    black = table.lab(np.zeros((1, 3)))[0]
    surface = table.lab(_faces())
    greys = _greys(surface, (float(black[0]) + 100) / 2)
    rays = surface - _grey(surface, greys)
    reaches = np.linalg.norm(rays, axis=1)
    pcs_black = xyz_from_lab(np.array([pcs_black_L_star, 0.0, 0.0]))
    return PerceptualMap(
        black_xyz=xyz_from_lab(black),
        greys=greys,
        directions=cKDTree(rays / reaches[:, None]),
        reaches=reaches,
        pcs_black_luminance=float(pcs_black[1]),
    )


def _hue_deg(Lab: Floats) -> Floats:
    return np.asarray(np.degrees(np.arctan2(Lab[:, 2], Lab[:, 1])) % 360)


def _grey(Lab: Floats, greys: Floats) -> Floats:
    """The grey (N, 3) that belongs to each colour's hue. Hue stays on the way there, so the way back finds the same."""
    L_star = np.interp(_hue_deg(Lab), np.arange(_HUES) * 360 / _HUES, greys, period=360)
    return np.stack([L_star, np.zeros_like(L_star), np.zeros_like(L_star)], axis=1)


def _greys(surface: Floats, middle_L_star: float) -> Floats:
    """L* (hues,) of these greys: between the middle of the scale and the lightness of the hue's strongest colours."""
    chroma, bins = (
        np.hypot(surface[:, 1], surface[:, 2]),
        np.floor(_hue_deg(surface) * _HUES / 360).astype(int),
    )
    strength = chroma**12  # weighs the strongest of a hue far above the rest, and yet never one place alone
    total = np.bincount(bins, strength, _HUES)
    weighed = np.bincount(bins, strength * surface[:, 0], _HUES)
    smooth = [gaussian_filter1d(values, sigma=3, mode="wrap") for values in (weighed, total)]
    return np.asarray(middle_L_star + _TOWARDS_STRONGEST * (smooth[0] / smooth[1] - middle_L_star))


def _faces() -> Floats:
    """Places (N, 3) all over the six faces of the RGB cube, where a print's strongest colours lie."""
    axis = np.linspace(0, 1, _FACE_POINTS)
    u, v = (side.ravel() for side in np.meshgrid(axis, axis))
    return np.concatenate(
        [
            np.insert(np.stack([u, v], axis=1), channel, end, axis=1)
            for channel in range(3)
            for end in (0.0, 1.0)
        ]
    )
