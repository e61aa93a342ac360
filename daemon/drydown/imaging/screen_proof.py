"""A sheet as a screen can show it: through the stock's profile to the screen's, in two views, with what the screen cannot show told.

*Adapted view*: media-relative with black point compensation, as the print looks alone in its light. *Table view*: ICC-absolute without it, paper white
and black as they are when the print lies beside the screen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.errors import Refusal
from drydown.imaging.black_point import black_L, compensated
from drydown.imaging.convert import device_to_lab, lab_to_device, to_screen
from drydown.imaging.icc import BadProfile, inspect
from drydown.imaging.icc_required import tags_in
from drydown.imaging.pcs import Floats, lab_from_xyz, xyz_from_lab
from drydown.imaging.working import srgb

View = Literal["adapted", "table"]
VIEW_WORDS: Final[dict[View, str]] = {
    "adapted": "media-relative colorimetric with black point compensation",
    "table": "ICC-absolute colorimetric, paper white and black as they are",
}
_SAMPLES: Final = 6_000  #: colours looked at for the share outside: 1 % of them is then known to about a quarter of a per cent
_LOOKED_AT: Final = 60_000  #: pixels that these are taken from, evenly over the sheet: bare paper is left out
_SEEN_DELTA_E: Final = 3.0  #: CIE 1976 difference from which a colour counts as lost: seen side by side in a picture (common practice, no source)


@dataclass(frozen=True, slots=True)
class Screen:
    """What a proof is shown on: the screen's profile and its name."""

    icc: bytes
    name: str


def screen_of(icc: bytes | None) -> Screen:
    """The screen with this profile; sRGB for None. Raises Refusal for a profile that describes no RGB screen."""
    if icc is None:
        return Screen(srgb(), "sRGB")
    try:
        info = inspect(icc)
    except BadProfile as fault:
        raise Refusal(
            f"The screen's profile cannot be used: {fault}. Name another one in studio.toml, or none for sRGB."
        ) from None
    if (
        info.device_class not in ("mntr", "spac")
        or info.colour_space != "RGB"
        or "relative" not in info.intents_back
    ):
        raise Refusal(
            f"The screen's profile, “{info.description}”, describes no RGB screen (class {info.device_class}, {info.colour_space}). "
            "Name a display profile in studio.toml, or none for sRGB."
        )
    return Screen(icc, info.description)


def proof(pixels: pyvips.Image, icc: bytes, screen: Screen, view: View) -> pyvips.Image:
    """The 16-bit picture in `icc` as 8 bits for the screen, in one of the two views, with the screen's profile attached."""
    adapted = view == "adapted"
    out = to_screen(
        pixels,
        icc,
        screen.icc,
        intent="relative" if adapted else "absolute",
        black_point_compensation=adapted,
    ).copy()
    out.set_type(pyvips.GValue.blob_type, "icc-profile-data", screen.icc)
    return out


def as_jpeg(shown: pyvips.Image, *, quality: int = 90) -> bytes:
    """A proof as a JPEG, its colour not subsampled, its profile embedded and nothing else."""
    return bytes(shown.jpegsave_buffer(Q=quality, subsample_mode="off", keep="icc"))


def outside_percent(pixels: pyvips.Image, icc: bytes, screen: Screen, view: View = "adapted") -> float | None:
    """Share of the inked pixels that the screen shows more than 3 units of CIELAB off, in per cent, from a sample; None for what is not RGB."""
    if pixels.bands != 3:
        return None
    inked = _inked(pixels)
    if not len(inked):
        return 0.0
    adapted = view == "adapted"
    Lab = device_to_lab(icc, inked / 65535, intent="relative" if adapted else "absolute")
    if adapted:
        Lab = compensated(Lab, from_L=black_L(icc), to_L=black_L(screen.icc))
    seen = _as_seen(screen.icc, Lab)
    return round(float((np.linalg.norm(Lab - seen, axis=1) > _SEEN_DELTA_E).mean() * 100), 2)


def _as_seen(screen: bytes, Lab: Floats) -> Floats:
    """What a screen makes of CIELAB (N, 3). One of curves and a matrix clips light, so that its curves need not be turned round."""
    if "B2A0" in tags_in(screen):
        return device_to_lab(screen, np.clip(lab_to_device(screen, Lab), 0, 1))
    primaries = xyz_from_lab(device_to_lab(screen, np.eye(3)))
    return lab_from_xyz(np.clip(xyz_from_lab(Lab) @ np.linalg.inv(primaries), 0, 1) @ primaries)


def _inked(pixels: pyvips.Image) -> npt.NDArray[np.uint16]:
    """Up to some thousand of the pixels that are not bare paper."""
    apart = max(1, math.isqrt(pixels.width * pixels.height // _LOOKED_AT))
    few = pixels.subsample(apart, apart)
    values = np.ndarray((few.height * few.width, 3), dtype=np.uint16, buffer=few.write_to_memory())
    drawn = values[
        np.random.default_rng(0).integers(0, len(values), 10 * _SAMPLES)
    ]  # enough, also where most is bare paper
    inked = drawn[(drawn < 65535).any(axis=1)]
    return np.asarray(inked[:: max(1, len(inked) // _SAMPLES)])
