"""Readings that no smooth printer gives: a mis-read row, a patch with a speck of dust on it. Found, named, and left in unless somebody says otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.errors import Fault
from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import Floats
from drydown.measuring.grid import grids
from drydown.measuring.measurement import BadMeasurement, Measurement
from drydown.profiling.model import PrinterModel, fit_model

_LEAST_DE: Final = 4.0  # ΔE00 from what the others promise
_TIMES_USUAL: Final = 6.0  # and so many times the median of all
_SURPRISE: Final = 3.0  # and so many times the median surprise
_ROW_SHARE: Final = 0.4  # of a row's patches: then the row was mis-read
_ROW_LEAST: Final = 3


@dataclass(frozen=True, slots=True)
class Suspect:
    """A patch that the others contradict."""

    patch: str
    de00: float
    expected: tuple[float, float, float]  # Lab that the others promise
    measured: tuple[float, float, float]


def suspects(colours: Measurement, counts: Floats, model: PrinterModel) -> tuple[Suspect, ...]:
    """The patches that stand out, worst first. Raises BadMeasurement where they make up a row: that was mis-read.

    Patches are suspected by what the others promise for them, and then judged by a fit without any of the suspected, which accuse their neighbours too.
    """
    odd = _odd(colours.lab, colours.lab - model.left_out, model.surprise)
    if not odd.any():
        return ()
    cleared = fit_model(colours.device[~odd], colours.lab[~odd], counts[~odd])
    expected = colours.lab.copy()
    expected[odd] = cleared.lab(colours.device[odd])
    usual = float(np.median(ciede2000(colours.lab, colours.lab - model.left_out)))
    away = ciede2000(colours.lab, expected)
    rows = [
        int(row) for row in np.argsort(-away) if odd[row] and away[row] > max(_LEAST_DE, _TIMES_USUAL * usual)
    ]
    _refuse_rows(colours, np.array(rows, dtype=np.int64), away)
    return tuple(
        Suspect(
            colours.named(row), round(float(away[row]), 1), _three(expected[row]), _three(colours.lab[row])
        )
        for row in rows
    )


def _odd(Lab: Floats, promised: Floats, surprise: Floats) -> NDArray[np.bool_]:
    away = ciede2000(Lab, promised)
    limit = max(_LEAST_DE, _TIMES_USUAL * float(np.median(away)))
    return np.asarray((away > limit) & (surprise > _SURPRISE * np.median(surprise)))


def _refuse_rows(colours: Measurement, odd: NDArray[np.int64], away: Floats) -> None:
    where = grids(colours.places)
    if where is None:
        return
    faults = []
    for name, row in where.rows().items():
        hit = np.intersect1d(row, odd)
        if len(hit) >= max(_ROW_LEAST, _ROW_SHARE * len(row)):
            text = f"it was mis-read: {len(hit)} of its {len(row)} patches lie {np.median(away[hit]):.0f} (median of CIEDE2000) from what all others promise"
            faults.append(
                Fault(
                    colours.source,
                    f"row {name}",
                    text,
                    f"read that row again, or build without it: --leave-out {name}",
                )
            )
    if faults:
        raise BadMeasurement(faults)


def _three(Lab: Floats) -> tuple[float, float, float]:
    L_star, a_star, b_star = (round(float(part), 2) for part in Lab)
    return L_star, a_star, b_star
