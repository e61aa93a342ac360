"""In which scale a table counts: device values to 1, 100 or 255, XYZ and spectra to 1 or 100, and Lab that is none. Found by rule, and said."""

from __future__ import annotations

from typing import Final

import numpy as np

from drydown.errors import Fault
from drydown.imaging.pcs import Floats, lab_from_xyz

#: White under other illuminants, 2 degrees, Y = 1 (CIE 15:2004, table T.3). D50's Z is ISO 13655's.
WHITES: Final = {
    "D50": (0.9642, 1.0, 0.8252),
    "D65": (0.9504, 1.0, 1.0889),
    "A": (1.0985, 1.0, 0.3558),
    "C": (0.9807, 1.0, 1.1823),
    "D55": (0.9568, 1.0, 0.9214),
}
D50_WHITE: Final = np.array(WHITES["D50"])
_FULL: Final = (1.0, 100.0, 255.0, 65535.0)
_AGREE: Final = 1.0  # mean Euclidean difference in Lab up to which two columns say the same


def device_scale(values: Floats, space: str) -> tuple[float, str]:
    """What full counts, 1, 100, 255 or 65535; or 0 and why no scale fits. A chart always holds the white or a full ink.

    >>> device_scale(np.array([[0.0, 128.0, 255.0]]), "RGB")
    (255.0, 'RGB values are taken as 0 to 255')
    """
    least, most = float(values.min()), float(values.max())
    if least < 0:
        return 0.0, f"{space} values go down to {least:g}; none can be below 0"
    for full in _FULL:
        if abs(most - full) <= full * 0.004:
            return full, f"{space} values are taken as 0 to {full:g}"
    if space == "RGB" and 100 < most < 255:
        return 255.0, f"RGB values are taken as 0 to 255 (the highest is {most:g})"
    return (
        0.0,
        f"the highest {space} value is {most:g}, so that it cannot be told whether full is 1, 100 or 255",
    )


def lab_fault(lab: Floats, source: str) -> Fault | None:
    """What is wrong with Lab as such: the scale 0 to 1, encoded numbers, or values beyond nature."""
    L, ab = lab[:, 0], lab[:, 1:]
    if len(lab) > 1 and L.max() <= 1.5 and np.abs(ab).max() <= 2:
        return Fault(
            source,
            "LAB_L",
            f"L* ends at {L.max():g}: these are Lab values in the scale 0 to 1",
            "export L* as 0 to 100",
        )
    if len(lab) > 1 and ab.min() >= 0 and (L.max() > 101 or 100 < np.median(ab) < 156 or ab.max() > 256):
        return Fault(
            source,
            "LAB_A, LAB_B",
            f"a* and b* are nowhere negative and stand around {np.median(ab):.0f}: these are encoded Lab values",
            "export CIELAB as numbers: L* 0 to 100, a* and b* around 0",
        )
    if L.min() < -1 or L.max() > 110 or np.abs(ab).max() > 150:
        return Fault(
            source,
            "LAB_L, LAB_A, LAB_B",
            f"L* from {L.min():g} to {L.max():g} and a*, b* up to {np.abs(ab).max():g} are no colours of a print",
            "export CIELAB under D50, 2 degrees",
        )
    return None


def lab_of_xyz(xyz: Floats, source: str) -> tuple[Floats, str, Fault | None]:
    """Lab of XYZ (N, 3) in either scale, what the scale was taken for, and why they cannot be under D50."""
    full = 1.0 if xyz[:, 1].max() <= 1.5 else 100.0
    said = f"XYZ values are taken as 0 to {full:g}"
    unit = xyz / full
    if unit.min() < -0.005 or unit[:, 1].max() > 1.5:
        return (
            unit,
            said,
            Fault(
                source,
                "XYZ_X, XYZ_Y, XYZ_Z",
                f"values from {xyz.min():g} to {xyz.max():g} are no colours of a print",
            ),
        )
    unit = np.clip(unit, 0, None)
    paper = unit[unit[:, 1].argmax()]
    if paper[1] > 0.5:
        nearest = min(WHITES, key=lambda name: float(np.abs(paper / paper[1] - WHITES[name]).sum()))
        if nearest not in ("D50", "D55"):
            return (
                unit,
                said,
                _not_d50(source, "XYZ_X, XYZ_Y, XYZ_Z", f"the lightest patch has the white of {nearest}"),
            )
    return lab_from_xyz(unit, D50_WHITE), said, None


def disagreement(lab: Floats, xyz: Floats, source: str) -> Fault | None:
    """Lab and XYZ of one table that do not belong together under D50, and under which light they would."""
    unit = xyz / (1.0 if xyz[:, 1].max() <= 1.5 else 100.0)
    away = {
        name: float(np.linalg.norm(lab_from_xyz(unit, np.array(white)) - lab, axis=1).mean())
        for name, white in WHITES.items()
    }
    if away["D50"] <= _AGREE:
        return None
    best = min(away, key=lambda name: away[name])
    if away[best] <= _AGREE:
        return _not_d50(source, "LAB_L, XYZ_X", f"Lab and XYZ belong together under {best}, not under D50")
    return Fault(
        source,
        "LAB_L, XYZ_X",
        f"Lab and XYZ differ by {away['D50']:.1f} on the average and belong together under no usual light",
        "export one of the two",
    )


def _not_d50(source: str, place: str, reason: str) -> Fault:
    return Fault(
        source, place, reason, "a profile needs D50 and 2 degrees: set that in the export, or export spectra"
    )
