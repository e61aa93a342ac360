"""A profile worked out by hand, in double precision, for a handful of colours.

libvips hands LittleCMS whole pictures at 16 bits, and LittleCMS first bakes the transform into a coarse table of its own: right for
pixels, up to 2 units of Lab off for a single colour. Here nothing is baked: curves, matrix and grid are evaluated as ICC.1:2022
writes them. Meant for some thousand colours, not for pictures. It knows no libvips and does no black point compensation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from drydown.api import Intent
from drydown.imaging.icc_lut import Floats, Lut, Stage, curve_at, lut, number, xyz_number
from drydown.imaging.pcs import D50_XYZ, lab_from_xyz, xyz_from_lab

CHANNELS: Final = {b"GRAY": 1, b"RGB ": 3, b"CMYK": 4}
_TABLE: Final[dict[Intent, int]] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 1}
_BISECTIONS: Final = 48  # a double's 52 bits, less what a curve of 16-bit numbers can tell apart


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """What of a profile is needed: spaces, media white, and its tags."""

    space: bytes
    pcs: bytes
    display_v2: bool
    tags: dict[bytes, bytes]

    @property
    def channels(self) -> int:
        return CHANNELS[self.space]

    def white(self) -> Floats:
        """Media white as XYZ. A version 2 display profile's is not to be believed: its viewer is adapted (as LittleCMS holds it)."""
        if self.display_v2 or b"wtpt" not in self.tags:
            return D50_XYZ
        return xyz_number(self.tags[b"wtpt"])

    def table(self, way: bytes, intent: Intent) -> Lut | None:
        """The table for an intent, or the perceptual one where the profile has no other (ICC.1:2022, 9.2), or None."""
        for index in (_TABLE[intent], 0):
            data = self.tags.get(way + str(index).encode())
            if data is not None:
                return lut(data, from_lab=way == b"B2A" and self.pcs == b"Lab ")
        return None


def device_to_lab(icc: bytes, device: Floats, *, intent: Intent = "relative") -> Floats:
    """CIELAB (N, 3), D50, of device values (N, C) in 0..1; CMYK counts ink (1 = full).

    `intent` chooses the table; "absolute" scales by the media white (ICC.1:2022, 6.3.2), the others are media-relative.
    Raises ValueError where the profile has no way to the connection space or the number of channels does not fit.
    """
    profile = _open(icc)
    device = np.atleast_2d(np.asarray(device, dtype=np.float64))
    if device.shape[1] != profile.channels:
        raise ValueError(f"{device.shape[1]} channels were given, the profile has {profile.channels}")
    table = profile.table(b"A2B", intent)
    if table is not None:
        Lab = _decode(table.apply(device), profile.pcs, table.legacy)
    elif profile.space == b"RGB ":
        curves, matrix = _shaper(profile)
        linear = np.stack([curve(device[:, k]) for k, curve in enumerate(curves)], axis=1)
        Lab = lab_from_xyz(linear @ matrix.T)
    elif profile.space == b"GRAY" and b"kTRC" in profile.tags:
        Lab = _grey_lab(profile, curve_at(profile.tags[b"kTRC"], 0)[0](device[:, 0]))
    else:
        raise ValueError("the profile has neither a table nor curves towards the connection space")
    return lab_from_xyz(xyz_from_lab(Lab) * profile.white() / D50_XYZ) if intent == "absolute" else Lab


def lab_to_device(icc: bytes, Lab: Floats, *, intent: Intent = "relative") -> Floats:
    """Device values (N, C) in 0..1 of CIELAB (N, 3), D50; colours out of reach are clipped or mapped as the profile does.

    Raises ValueError where the profile has no way back from the connection space.
    """
    profile = _open(icc)
    Lab = np.atleast_2d(np.asarray(Lab, dtype=np.float64))
    if intent == "absolute":
        Lab = lab_from_xyz(xyz_from_lab(Lab) * D50_XYZ / profile.white())
    table = profile.table(b"B2A", intent)
    if table is not None:
        return table.apply(_encode(Lab, profile.pcs, table.legacy))
    if profile.space == b"RGB ":
        curves, matrix = _shaper(profile)
        linear = xyz_from_lab(Lab) @ np.linalg.inv(matrix).T
        return np.stack([_inverse(curve, linear[:, k]) for k, curve in enumerate(curves)], axis=1)
    if profile.space == b"GRAY" and b"kTRC" in profile.tags:
        wanted = xyz_from_lab(Lab)[:, 1] if profile.pcs == b"XYZ " else Lab[:, 0] / 100
        return _inverse(curve_at(profile.tags[b"kTRC"], 0)[0], wanted)[:, np.newaxis]
    raise ValueError("the profile has no way back from the connection space")


@lru_cache(maxsize=16)
def _open(icc: bytes) -> _Profile:
    """Header and tag table (ICC.1:2022, 7.2 and 7.3). Raises ValueError where they do not hold together."""
    if len(icc) < 132 or icc[36:40] != b"acsp":
        raise ValueError("this is no ICC profile: the signature 'acsp' is missing")
    space, pcs = icc[16:20], icc[20:24]
    if space not in CHANNELS:
        raise ValueError(f"colour space '{space.decode('latin-1').strip()}' is neither grey, RGB nor CMYK")
    if pcs not in (b"Lab ", b"XYZ "):
        raise ValueError(f"connection space '{pcs.decode('latin-1').strip()}' is neither Lab nor XYZ")
    tags = {}
    for index in range(number(icc, 128)):
        entry = 132 + 12 * index
        offset, size = number(icc, entry + 4), number(icc, entry + 8)
        if entry + 12 > len(icc) or offset + size > len(icc):
            raise ValueError("the tag table points beyond the end of the profile")
        tags[icc[entry : entry + 4]] = icc[offset : offset + size]
    return _Profile(space, pcs, icc[12:16] == b"mntr" and icc[8] < 4, tags)


def _shaper(profile: _Profile) -> tuple[Sequence[Stage], Floats]:
    """Three tone curves and the matrix (3, 3) from linear RGB to XYZ (ICC.1:2022, F.3)."""
    try:
        curves = [curve_at(profile.tags[name], 0)[0] for name in (b"rTRC", b"gTRC", b"bTRC")]
        columns = [xyz_number(profile.tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    except KeyError as missing:
        raise ValueError(f"the profile has neither a table nor the tag {missing.args[0].decode()}") from None
    return curves, np.stack(columns, axis=1)


def _grey_lab(profile: _Profile, value: Floats) -> Floats:
    if profile.pcs == b"XYZ ":
        return lab_from_xyz(value[:, np.newaxis] * D50_XYZ)
    return np.stack([100 * value, np.zeros_like(value), np.zeros_like(value)], axis=1)


def _inverse(curve: Callable[[Floats], Floats], value: Floats) -> Floats:
    """Where a monotone curve over 0..1 takes `value`, by bisection: it serves every kind of curve alike."""
    rising = bool(curve(np.array([1.0]))[0] >= curve(np.array([0.0]))[0])
    order = np.argsort(value)  # places that rise are looked up in a curve several times faster
    wanted, found = value[order], np.empty_like(value)
    low, high = np.zeros_like(value), np.ones_like(value)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        below = (curve(middle) < wanted) == rising
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    found[order] = (low + high) / 2
    return found


#: What an encoded 1.0 of XYZ stands for: u1Fixed15 ends at 1 + 32767/32768 (ICC.1:2022, 6.3.4.2).
_XYZ_SCALE: Final = 1 + 32767 / 32768
#: `lut16Type` keeps version 2's Lab: 100 at FF00h, so that a full word stands a little beyond (ICC.1:2022, 10.10).
_LEGACY: Final = 65535 / 65280


def _decode(encoded: Floats, pcs: bytes, legacy: bool) -> Floats:
    if pcs == b"XYZ ":
        return lab_from_xyz(encoded * _XYZ_SCALE)
    scaled = encoded * _LEGACY if legacy else encoded
    return np.asarray(scaled * np.array([100.0, 255.0, 255.0]) - np.array([0.0, 128.0, 128.0]))


def _encode(Lab: Floats, pcs: bytes, legacy: bool) -> Floats:
    if pcs == b"XYZ ":
        return np.clip(xyz_from_lab(Lab) / _XYZ_SCALE, 0, 1)
    scaled = (Lab + np.array([0.0, 128.0, 128.0])) / np.array([100.0, 255.0, 255.0])
    return np.asarray(np.clip(scaled / _LEGACY if legacy else scaled, 0, 1))
