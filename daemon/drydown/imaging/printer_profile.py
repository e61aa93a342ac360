"""From any model of a printer to its ICC profile: samples, inverts, maps what cannot be printed, and packs the tables.

`printer_profile(forward, description=...)` is all that most callers want. The model gives absolute Lab under D50; the
tables hold media-relative Lab, as ICC.1 asks, and the white point tag says how to get back.

Colorimetric tables (A2B1, B2A1, and the same again as A2B2, B2A2) say what the print measures, and outside the gamut
the nearest print (`printer_inverse`), judged where hues are even (`even_hue`). Perceptual ones (A2B0, B2A0) are each other's inverse
(`printer_perceptual`). Their PCS black in version 2 is L* 0, which is also the source's: black point compensation finds nothing to do, and may be on or
off. Version 4 has a reference medium for them, and their PCS black is that medium's.
"""

from datetime import datetime
from typing import Final

import numpy as np

from drydown.imaging.even_hue import even_hue
from drydown.imaging.icc_build import UNDATED, Version, printer_profile_bytes
from drydown.imaging.icc_tags import Lut16
from drydown.imaging.pcs import Floats, media_relative, xyz_from_lab
from drydown.imaging.printer_axes import LabGrid, encode_lab, even_grid, grid_from_black
from drydown.imaging.printer_inverse import Nearness, invert
from drydown.imaging.printer_perceptual import perceptual_map
from drydown.imaging.printer_table import TABLE_POINTS, Forward, device_grid, through

A2B_POINTS: Final = 17
B2A_POINTS: Final = 33
#: ΔE*ab at which the gamut tag is full scale, and below which it says "in gamut": what the table's own pitch costs.
_GAMUT_FULL: Final = 128.0
_GAMUT_LEAST: Final = 1.0
_LEAST_RANGE_L_STAR: Final = 20.0
#: L* of the perceptual intent's black in the PCS; version 4's reference medium has 0.34731 % reflectance (ICC.1:2004-10, 6.3.3).
_PERCEPTUAL_BLACK_L_STAR: Final[dict[Version, float]] = {2: 0.0, 4: 3.1373}
#: Where hues are even a turned hue can be held harder: 2.4 degrees at the 95th percentile on the pearl, where 3 gave 4.1, and runs as smooth.
_EVEN: Final = Nearness(hue=6.0)
_STRAIGHT: Final = np.array([0.0, 1.0])


def printer_profile(
    forward: Forward, *, description: str, matte: bool = False, created: datetime = UNDATED
) -> bytes:
    """The profile of an RGB printer whose `forward` gives the absolute Lab (N, 3) of device values (N, 3) in 0..1.

    Device (1, 1, 1) is taken to be bare paper, (0, 0, 0) the deepest black. Raises ValueError where the model cannot
    be that: paper hardly lighter than black, or values that are no numbers.
    """
    paper_Lab = forward(np.ones((1, 3)))[0]
    return printer_profile_bytes(
        description=description,
        paper_XYZ=xyz_from_lab(paper_Lab),
        matte=matte,
        created=created,
        tables=printer_tables(forward),
    )


def printer_tables(
    forward: Forward, version: Version = 2, *, a2b_points: int = A2B_POINTS
) -> dict[str, Lut16]:
    """The profile's tables by tag. `printer_profile` says what `forward` has to be; `a2b_points` nodes a channel from the device, one more than a part of 32."""
    paper_Lab, black_Lab = forward(np.array([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]]))
    if not np.isfinite([paper_Lab, black_Lab]).all() or paper_Lab[0] - black_Lab[0] < _LEAST_RANGE_L_STAR:
        raise ValueError(
            f"the model prints (1, 1, 1) as L* {paper_Lab[0]:.1f} and (0, 0, 0) as L* {black_Lab[0]:.1f}; "
            f"(1, 1, 1) has to be bare paper, at least {_LEAST_RANGE_L_STAR:.0f} L* above all inks"
        )

    def relative(device: Floats) -> Floats:
        return media_relative(forward(device), paper_Lab)

    sampled = relative(device_grid(TABLE_POINTS))
    table, printed = through(sampled), _thinned(sampled, a2b_points)
    mapping = perceptual_map(table, pcs_black_L_star=_PERCEPTUAL_BLACK_L_STAR[version])
    colorimetric = grid_from_black(float(relative(np.zeros((1, 3)))[0, 0]), B2A_POINTS)
    perceptual = even_grid(B2A_POINTS)
    nearest = invert(through(even_hue(sampled)), even_hue(colorimetric.nodes()), _EVEN).device
    rendered = invert(table, mapping.to_print(perceptual.nodes()))
    from_device, to_device = _from_device(printed), _from_lab(colorimetric, nearest)
    distance = np.linalg.norm(table.lab(nearest) - colorimetric.nodes(), axis=1)
    return {
        "A2B0": _from_device(mapping.to_pcs(printed)),
        "A2B1": from_device,
        "A2B2": from_device,
        "B2A0": _from_lab(perceptual, rendered.device),
        "B2A1": to_device,
        "B2A2": to_device,
        "gamt": _gamut(colorimetric, distance),
    }


def _thinned(sampled: Floats, points: int) -> Floats:
    """Of the places of the table's grid those of one with fewer `points` an edge, which have to be among them."""
    grid = sampled.reshape(TABLE_POINTS, TABLE_POINTS, TABLE_POINTS, 3)
    every = slice(None, None, (TABLE_POINTS - 1) // (points - 1))
    return grid[every, every, every].reshape(points**3, 3)


def _from_device(Lab: Floats) -> Lut16:
    points = round(len(Lab) ** (1 / 3))
    grid = encode_lab(Lab).reshape(points, points, points, 3)
    return Lut16(np.tile(_STRAIGHT, (3, 1)), grid, np.tile(_STRAIGHT, (3, 1)))


def _from_lab(nodes: LabGrid, device: Floats) -> Lut16:
    grid = device.reshape(B2A_POINTS, B2A_POINTS, B2A_POINTS, 3)
    return Lut16(nodes.input_curves(), grid, np.tile(_STRAIGHT, (3, 1)))


def _gamut(nodes: LabGrid, distance: Floats) -> Lut16:
    """Zero where it can be printed, else the more the further away (ICC.1:2001-04, gamutTag)."""
    grid = (distance / _GAMUT_FULL).reshape(B2A_POINTS, B2A_POINTS, B2A_POINTS, 1)
    scale = np.linspace(0, 1, 1025)
    outputs = np.where(scale * _GAMUT_FULL < _GAMUT_LEAST, 0.0, scale)[None]
    return Lut16(nodes.input_curves(), grid, outputs)
