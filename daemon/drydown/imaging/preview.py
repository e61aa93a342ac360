"""What a sheet looks like on a screen, made from the sheet as it was written.

The preview is the adapted view in sRGB (`screen_proof`). It cannot show every colour of a print; how many it cannot is counted and told.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyvips

from drydown.imaging.screen_proof import VIEW_WORDS, as_jpeg, outside_percent, proof, screen_of


@dataclass(frozen=True, slots=True, eq=False)
class SmallSheet:
    """A written sheet reduced by a whole number: 16 bits in memory, and the profile that it carries."""

    pixels: pyvips.Image
    icc: bytes
    reduced_by: int


def small_sheet(sheet: Path, *, long_edge_px: int = 1600) -> SmallSheet:
    """Reduce a written sheet so that its longer side comes near `long_edge_px`.

    Raises ValueError where the sheet carries no profile, pyvips.Error where it cannot be read.
    """
    image = pyvips.Image.new_from_file(str(sheet), access="sequential", fail_on="warning", revalidate=True)
    if image.get_typeof("icc-profile-data") == 0:
        raise ValueError(f"{sheet.name} carries no profile, so its colours are not known")
    icc = bytes(image.get("icc-profile-data"))
    factor = max(1, round(max(image.width, image.height) / long_edge_px))
    small = image.shrink(factor, factor).copy_memory() if factor > 1 else image.copy_memory()
    sixteen = small if small.format == "ushort" else (small * 257).cast("ushort")
    return SmallSheet(sixteen, icc, factor)


def write_preview(sheet: Path | SmallSheet, to: Path, *, long_edge_px: int = 1600) -> dict[str, Any]:
    """Write a JPEG (quality 90, colour not subsampled, sRGB embedded) of a written sheet, and say what it cannot show.

    Returns JSON values: `size_px`, `reduced_by`, `view`, and `outside_srgb_percent`, the share of the inked pixels whose colour the preview shows
    visibly wrong (None for a sheet that is not RGB). Raises as `small_sheet`.
    """
    small = sheet if isinstance(sheet, SmallSheet) else small_sheet(sheet, long_edge_px=long_edge_px)
    screen = screen_of(None)
    to.write_bytes(as_jpeg(proof(small.pixels, small.icc, screen, "adapted")))
    return {
        "size_px": [small.pixels.width, small.pixels.height],
        "reduced_by": small.reduced_by,
        "view": f"adapted: {VIEW_WORDS['adapted']}, sRGB",
        "outside_srgb_percent": outside_percent(small.pixels, small.icc, screen),
    }


def thumb(preview: Path, *, long_edge_px: int) -> tuple[bytes, tuple[int, int]]:
    """A written preview smaller still, as JPEG with its profile, and its size in pixels. Raises pyvips.Error where it cannot be read."""
    image = pyvips.Image.new_from_file(str(preview), fail_on="warning", revalidate=True)
    scale = min(1.0, long_edge_px / max(image.width, image.height))
    small = image.resize(scale).copy_memory()
    return as_jpeg(small, quality=82), (small.width, small.height)
