"""What a profile says of its device, in figures that a printmaker can use; and how two profiles differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from drydown.api import Intent
from drydown.imaging.black_point import black_L
from drydown.imaging.difference import ciede2000
from drydown.imaging.gamut_body import body_of
from drydown.imaging.gamut_loss import own_error
from drydown.imaging.icc import BadProfile, ProfileInfo, inspect
from drydown.imaging.icc_exact import CHANNELS, device_to_lab, lab_to_device
from drydown.imaging.icc_required import missing_tags, tags_in
from drydown.imaging.pcs import Floats, xyz_from_lab

GREYS_L: Final = tuple(range(10, 100, 10))
_GRID: Final = {1: 33, 3: 11, 4: 6}  #: points a channel of the grid on which two profiles are compared
_DEVICES: Final = ("mntr", "prtr", "scnr", "spac")
Lab3 = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileFacts:
    """Lab is media-relative where it is not said otherwise; density is -log10 Y, the paper included (ISO 5-4 geometry is the instrument's affair)."""

    info: ProfileInfo
    white: Lab3  #: ICC-absolute
    white_density: float
    black: Lab3  #: of the darkest device value, ICC-absolute
    black_density: float
    black_relative_L: float
    reached_L: (
        float | None
    )  #: media-relative L* of the darkest neutral that a conversion reaches; None without a way back
    reached_density: float | None
    volume: float | None  #: cubic units of CIELAB; None for grey
    greys: tuple[tuple[float, Lab3], ...]  #: L* asked for, Lab got, of true greys; empty without a way back
    equal_off: float | None  #: greatest a*b* where all channels are equal; None where that is no grey (CMYK)
    round_trip: dict[Intent, tuple[float, float]]  #: ΔE00, mean and 95th percentile, by intent
    tags: tuple[str, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two profiles of one kind of device. ΔE00 is between what they predict for the same device values."""

    shared: float | None
    relative: tuple[float, float, float]  #: mean, 95th percentile, greatest; media-relative
    absolute: tuple[float, float, float]  #: the same, ICC-absolute
    points: int
    white_dE00: float
    black_dE00: float
    greys_ab: float | None  #: greatest distance in a*b* of the greys asked for


def facts_of(icc: bytes) -> ProfileFacts:
    """All figures of a device's profile. Raises `BadProfile` for bytes that are none, or of a class or space that describes no device known here."""
    info = inspect(icc)
    _check_device(info)
    channels = CHANNELS[icc[16:20]]
    try:
        ends = _ends(channels)
        absolute, relative = device_to_lab(icc, ends, intent="absolute"), device_to_lab(icc, ends)
        darkest = int(absolute[1:, 0].argmin()) + 1
        back = bool(info.intents_back)
        reached = black_L(icc) if back else None
        return ProfileFacts(
            info=info,
            white=_three(absolute[0]),
            white_density=_density(absolute[0]),
            black=_three(absolute[darkest]),
            black_density=_density(absolute[darkest]),
            black_relative_L=float(relative[darkest, 0]),
            reached_L=reached,
            reached_density=None if reached is None else _reached_density(icc),
            volume=body_of(icc).volume if channels > 1 else None,
            greys=_greys(icc) if back and channels > 1 else (),
            equal_off=_equal_off(icc) if channels == 3 else None,
            round_trip={
                one: own_error(icc, one)
                for one in info.intents_back
                if one in info.intents and one != "absolute"
            },
            tags=tags_in(icc),
            missing=missing_tags(info.device_class, info.colour_space, tags_in(icc)),
        )
    except ValueError as reason:
        raise BadProfile(str(reason)) from None


def compare(one: bytes, other: bytes) -> Comparison:
    """How two profiles differ. Raises `BadProfile` for one that cannot be used, ValueError where they are for different colour spaces."""
    first, second = facts_of(one), facts_of(other)
    if first.info.colour_space != second.info.colour_space:
        raise ValueError(
            f"one is for {first.info.colour_space}, the other for {second.info.colour_space}: they share no device values"
        )
    channels = first.info.channels
    ramp = np.linspace(0, 1, _GRID[channels])
    device = np.stack(np.meshgrid(*[ramp] * channels, indexing="ij"), axis=-1).reshape(-1, channels)
    apart = {
        intent: ciede2000(
            device_to_lab(one, device, intent=intent), device_to_lab(other, device, intent=intent)
        )
        for intent in ("relative", "absolute")
    }
    greys = [
        float(np.hypot(a[1] - b[1], a[2] - b[2]))
        for (_, a), (_, b) in zip(first.greys, second.greys, strict=False)
    ]
    return Comparison(
        shared=body_of(one).shared(body_of(other)) if channels > 1 else None,
        relative=_spread(apart["relative"]),
        absolute=_spread(apart["absolute"]),
        points=len(device),
        white_dE00=float(ciede2000(np.array(first.white), np.array(second.white))),
        black_dE00=float(ciede2000(np.array(first.black), np.array(second.black))),
        greys_ab=max(greys) if greys else None,
    )


def _check_device(info: ProfileInfo) -> None:
    if (
        info.device_class not in _DEVICES
        or info.colour_space not in ("GRAY", "RGB", "CMYK")
        or info.pcs not in ("XYZ", "Lab")
    ):
        what = {"link": "a device link", "abst": "an abstract profile", "nmcl": "a named-colour profile"}
        is_a = what.get(info.device_class, f"of class {info.device_class} for {info.colour_space}")
        raise BadProfile(f"“{info.description}” is {is_a}, and describes no grey, RGB or CMYK device")


def _ends(channels: int) -> Floats:
    """White first, then every corner of the device's values."""
    corners = np.array(np.meshgrid(*[[0.0, 1.0]] * channels)).reshape(channels, -1).T
    return np.concatenate([np.full((1, channels), 0.0 if channels == 4 else 1.0), corners])


def _greys(icc: bytes) -> tuple[tuple[float, Lab3], ...]:
    wanted = np.array([[L, 0.0, 0.0] for L in GREYS_L if black_L(icc) < L])
    got = device_to_lab(icc, np.clip(lab_to_device(icc, wanted), 0, 1))
    return tuple((float(L), _three(Lab)) for L, Lab in zip(wanted[:, 0], got, strict=True))


def _equal_off(icc: bytes) -> float:
    Lab = device_to_lab(icc, np.repeat(np.linspace(0, 1, 101)[:, np.newaxis], 3, axis=1))
    return float(np.hypot(Lab[:, 1], Lab[:, 2]).max())


def _reached_density(icc: bytes) -> float:
    device = np.clip(lab_to_device(icc, np.zeros((1, 3))), 0, 1)
    return _density(device_to_lab(icc, device, intent="absolute")[0])


def _density(Lab: Floats) -> float:
    return float(-np.log10(max(float(xyz_from_lab(Lab)[1]), 1e-6)))


def _spread(dE00: Floats) -> tuple[float, float, float]:
    return float(dE00.mean()), float(np.percentile(dE00, 95)), float(dE00.max())


def _three(Lab: Floats) -> Lab3:
    L, a, b = (float(part) for part in Lab)
    return L, a, b
