"""CIELAB pictures: decoded by the coding they are stored in, then handed over as 16-bit RGB of a space wide enough for all of it.

Steps work on device values with a profile; Lab has none. ROMM RGB (ISO 22028-2) has the PCS' own white, D50, so nothing is adapted.
"""

from __future__ import annotations

from typing import Final, Literal

import pyvips

from drydown.api import Note
from drydown.imaging import working
from drydown.imaging.icc import BadProfile, inspect
from drydown.imaging.reading.found import Source

Coding = Literal["CIELab", "ICCLab", "PSD Lab"]
_PROFILE: Final = "icc-profile-data"  # libvips' name for an attached profile

lab_note: Final = Note(
    "The picture is in CIELAB; it was converted to 16-bit ROMM RGB (ISO 22028-2), which holds its colours."
)


def lab_to_rgb(stored: pyvips.Image, coding: Coding) -> pyvips.Image:
    """RGB (`ushort`, in `working.wide_gamut()`) of stored Lab values, 8 or 16 bits, three bands; lazy.

    Codings. CIELab (TIFF 6.0, section 23; 16 bits: TIFF Technical Notes of 2002): L* 0..full is 0..100, a* and b* are signed, at 16 bits
    times 256. ICCLab (the same notes, as ICC.1:2001-04, annex A): a* and b* biased by half; at 16 bits L* 100 is 0xFF00. PSD: as ICCLab, but
    L* 100 is full (common practice, no source).
    """
    deep = stored.format == "ushort"
    full = 65535.0 if deep else 255.0
    unit = 256.0 if deep else 1.0
    lightness_full = 65280.0 if deep and coding == "ICCLab" else full
    plain = stored.cast("float")
    lightness = plain[0] * (100.0 / lightness_full)
    opponents = plain[1:3]
    if coding == "CIELab":  # two's complement: the upper half of the codes is negative
        opponents = (opponents > full / 2).ifthenelse(opponents - (full + 1), opponents)
    else:
        opponents = opponents - 128.0 * unit
    lab = lightness.bandjoin(opponents / unit).copy(interpretation="lab")
    lab.set_type(pyvips.GValue.blob_type, _PROFILE, working.wide_gamut())
    out = lab.icc_export(pcs="lab", intent="relative", depth=16).copy()
    out.remove(_PROFILE)
    return out


def check_lab_profile(source: Source, icc: bytes) -> None:
    """A Lab picture needs no profile. One that is embedded all the same must be for Lab. Raises `Refusal`."""
    try:
        space = inspect(icc).colour_space
    except BadProfile as fault:
        raise source.refusal(
            f"has a colour profile that cannot be used: {fault}", "Export it again"
        ) from None
    if space != "Lab":
        raise source.refusal(
            f"is in Lab, and its embedded profile is for {space}", "Export it as RGB with its profile"
        )
