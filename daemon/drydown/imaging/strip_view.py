"""What other values would do to a region, on a screen: as a strip's patch was laid, and beside it as it would be.

Made from the patch's own pixels in the written sheet, by the same tables that tone and balance print with, so it costs no render. Like any
preview it shows what the profile promises, never the printer's own error: it tells which way and how far, the print alone tells whether.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyvips

from drydown.api import Box
from drydown.imaging.convert import to_srgb
from drydown.imaging.neutral import neutral_response
from drydown.imaging.tone import apply_table, balance_table, tone_table
from drydown.imaging.working import srgb

_GAP: Final = 0.06  #: of bare paper between the two, as a share of the patch's width
_LONGEST_PX: Final = 900  #: of one of the two: larger ones are reduced by a whole number
_PAPER: Final = 65535


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """By how much tone and balance change: L* of a mid-grey, a factor, CC of each ink."""

    lift_L: float = 0.0
    contrast: float = 1.0
    cyan: float = 0.0
    magenta: float = 0.0
    yellow: float = 0.0


def write_move(sheet: Path, patch: Box, move: Move, to: Path) -> None:
    """Write a JPEG (sRGB) of `patch` of a written sheet, as it is at the left, after `move` at the right.

    Raises ValueError where the sheet carries no profile or the move leaves what it can print, pyvips.Error where it cannot be read.
    """
    image = pyvips.Image.new_from_file(str(sheet), fail_on="warning", revalidate=True)
    if image.get_typeof("icc-profile-data") == 0:
        raise ValueError(f"{sheet.name} carries no profile, so its colours are not known")
    icc = bytes(image.get("icc-profile-data"))
    laid = image.crop(patch.left, patch.top, patch.width, patch.height)
    sixteen = laid if laid.format == "ushort" else (laid * 257).cast("ushort")
    response = neutral_response(icc, channels=sixteen.bands)
    tone = tone_table(response, lift_L=move.lift_L, contrast=move.contrast)
    balance = balance_table(response, cyan=move.cyan, magenta=move.magenta, yellow=move.yellow)
    moved = apply_table(apply_table(sixteen, tone), balance)
    pair = sixteen.join(
        moved,
        "horizontal",
        expand=True,
        shim=max(1, round(patch.width * _GAP)),
        background=[_PAPER] * sixteen.bands,
    )
    factor = max(1, round(max(patch.width, patch.height) / _LONGEST_PX))
    small = pair.shrink(factor, factor) if factor > 1 else pair
    shown = to_srgb(small, icc, intent="relative", black_point_compensation=True).copy()
    shown.set_type(pyvips.GValue.blob_type, "icc-profile-data", srgb())
    shown.jpegsave(str(to), Q=92, subsample_mode="off", keep="icc")
