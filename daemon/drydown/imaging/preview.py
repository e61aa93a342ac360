"""What a sheet looks like on a screen, made from the sheet as it was written.

The adapted view: media-relative with black point compensation, as the print looks alone in its light. A screen preview cannot show every colour of a
print; how many it cannot is counted and told.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.imaging.convert import device_to_lab, to_srgb
from drydown.imaging.pcs import lab_from_xyz, xyz_from_lab
from drydown.imaging.working import srgb

_SAMPLES = 6_000  #: colours looked at for the share outside sRGB: 1 % of them is then known to about a quarter of a per cent
_LOOKED_AT = 60_000  #: pixels that these are taken from, evenly over the sheet: bare paper is left out
_SEEN_DELTA_E = 3.0  #: CIE 1976 difference from which a colour counts as lost: seen side by side in a picture (common practice, no source)


def write_preview(sheet: Path, to: Path, *, long_edge_px: int = 1600) -> dict[str, Any]:
    """Write a JPEG (quality 90, colour not subsampled, sRGB embedded) of a written sheet, and say what it cannot show.

    The sheet is reduced by a whole number, so that its longer side comes near `long_edge_px`. Returns JSON values: `size_px`, `reduced_by`, `view`,
    and `outside_srgb_percent`, the share of the inked pixels whose colour the preview shows visibly wrong (None for a sheet that is not RGB).
    Raises ValueError where the sheet carries no profile, pyvips.Error where it cannot be read.
    """
    image = pyvips.Image.new_from_file(str(sheet), access="sequential", fail_on="warning", revalidate=True)
    if image.get_typeof("icc-profile-data") == 0:
        raise ValueError(f"{sheet.name} carries no profile, so its colours are not known")
    icc = bytes(image.get("icc-profile-data"))
    factor = max(1, round(max(image.width, image.height) / long_edge_px))
    small = image.shrink(factor, factor).copy_memory() if factor > 1 else image.copy_memory()
    sixteen = small if small.format == "ushort" else (small * 257).cast("ushort")
    shown = to_srgb(sixteen, icc, intent="relative", black_point_compensation=True)
    tagged = shown.copy()
    tagged.set_type(pyvips.GValue.blob_type, "icc-profile-data", srgb())
    tagged.jpegsave(str(to), Q=90, subsample_mode="off", keep="icc")
    return {
        "size_px": [tagged.width, tagged.height],
        "reduced_by": factor,
        "view": "adapted: media-relative colorimetric with black point compensation, sRGB",
        "outside_srgb_percent": _outside_percent(sixteen, icc),
    }


def _outside_percent(pixels: pyvips.Image, icc: bytes) -> float | None:
    """Share of the inked pixels that sRGB shows more than 3 units of CIELAB off, black brought to black, in per cent; from a sample."""
    if pixels.bands != 3:
        return None
    apart = max(1, math.isqrt(pixels.width * pixels.height // _LOOKED_AT))
    few = pixels.subsample(apart, apart)
    values = np.ndarray((few.height * few.width, 3), dtype=np.uint16, buffer=few.write_to_memory())
    drawn = values[
        np.random.default_rng(0).integers(0, len(values), 10 * _SAMPLES)
    ]  # enough, also where most is bare paper
    inked = drawn[(drawn < 65535).any(axis=1)]
    if not len(inked):
        return 0.0
    device = inked[:: max(1, len(inked) // _SAMPLES)] / 65535
    primaries = xyz_from_lab(device_to_lab(srgb(), np.eye(3)))
    XYZ = _compensated(icc, xyz_from_lab(device_to_lab(icc, device)))
    shown = np.clip(XYZ @ np.linalg.inv(primaries), 0, 1) @ primaries
    lost = np.linalg.norm(lab_from_xyz(XYZ) - lab_from_xyz(shown), axis=1)
    return round(float((lost > _SEEN_DELTA_E).mean() * 100), 2)


def _compensated(icc: bytes, XYZ: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Black point compensation towards a black of zero, white kept: a straight line in XYZ (ISO 18619, 6)."""
    L_black = float(device_to_lab(icc, np.zeros((1, 3)))[0, 0])
    white = xyz_from_lab(np.array([[100.0, 0.0, 0.0]]))
    black = xyz_from_lab(np.array([[L_black, 0.0, 0.0]]))
    return np.asarray((XYZ - black) * white / (white - black))
