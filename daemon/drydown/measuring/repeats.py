"""How well the same patch measures the same: within a page, between pages, and from the top of a page to its foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.errors import Fault
from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import Floats
from drydown.measuring.grid import Grids, grids
from drydown.measuring.measurement import BadMeasurement, Measurement

MOST_DE: Final = (
    1.0  #: mean repeat difference above which nothing is built from the readings (common practice, no source)
)
_ALIKE: Final = 1e-4  # of the device's range


@dataclass(frozen=True, slots=True)
class Repeats:
    """Means of CIEDE2000 from the mean (ASTM E2214's MCDM); None where there is nothing to compare."""

    mean: float | None  #: every reading of a repeated colour against that colour's mean
    within: float | None  #: against the mean on its own page
    between: float | None  #: of the pages' means against the mean of all
    drift: float | None  #: upper third of the pages against the lower third, mean over the colours
    groups: int  #: colours that stand more than once
    readings: int  #: of them
    worst: str  #: the reading farthest from its colour's mean, as a person finds it
    worst_de: float


def repeatability(measurement: Measurement) -> Repeats:
    """Compare what stands more than once on the chart."""
    groups = [group for group in same_device(measurement.device) if len(group) > 1]
    if not groups:
        return Repeats(None, None, None, None, 0, 0, "", 0.0)
    where = grids(measurement.places)
    away = {group: _from_mean(measurement.lab, group) for group in map(tuple, groups)}
    every = np.concatenate(list(away.values()))
    rows = np.concatenate(groups)
    worst = int(rows[every.argmax()])
    return Repeats(
        mean=float(np.mean([part.mean() for part in away.values()])),
        within=_within(measurement.lab, groups, where),
        between=_between(measurement.lab, groups, where),
        drift=_drift(measurement.lab, groups, where),
        groups=len(groups),
        readings=len(rows),
        worst=measurement.named(worst),
        worst_de=float(every.max()),
    )


def refuse_unsteady(measurement: Measurement) -> Repeats:
    """The same, for whoever builds a profile. Raises BadMeasurement where repeats differ by more than `MOST_DE` on the average."""
    found = repeatability(measurement)
    if found.mean is not None and found.mean > MOST_DE:
        raise BadMeasurement(
            [
                Fault(
                    measurement.source,
                    "",
                    f"repeated patches differ by {found.mean:.2f} (mean CIEDE2000), {found.worst} by {found.worst_de:.1f}; {MOST_DE:g} is the most",
                    "is the ink dry and the instrument calibrated? Measure again",
                )
            ]
        )
    return found


def averaged(measurement: Measurement) -> tuple[Measurement, Floats]:
    """One row a colour, in the order of first appearance, Lab and spectra averaged; and how many readings each is the mean of."""
    groups = sorted(same_device(measurement.device), key=lambda group: int(group[0]))
    from dataclasses import replace

    first = measurement.of(np.array([group[0] for group in groups]))
    spectra = measurement.spectra
    return replace(
        first,
        lab=np.array([measurement.lab[group].mean(axis=0) for group in groups]),
        spectra=None if spectra is None else np.array([spectra[group].mean(axis=0) for group in groups]),
    ), np.array([float(len(group)) for group in groups])


def same_device(device: Floats) -> list[NDArray[np.intp]]:
    """Rows with the same device values, each group rising."""
    _, label = np.unique(np.rint(device / _ALIKE), axis=0, return_inverse=True)
    label = label.reshape(-1)
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


def _from_mean(lab: Floats, rows: NDArray[np.intp] | tuple[int, ...]) -> Floats:
    readings = lab[list(rows)]
    return ciede2000(readings, readings.mean(axis=0))


def _of_pages(group: NDArray[np.intp], where: Grids) -> list[NDArray[np.intp]]:
    parts = [group[np.isin(group, page)] for page in where.pages.values()]
    return [part for part in parts if len(part)]


def _within(lab: Floats, groups: list[NDArray[np.intp]], where: Grids | None) -> float | None:
    if where is None:
        return None
    found = [
        _from_mean(lab, part).mean() for group in groups for part in _of_pages(group, where) if len(part) > 1
    ]
    return float(np.mean(found)) if found else None


def _between(lab: Floats, groups: list[NDArray[np.intp]], where: Grids | None) -> float | None:
    if where is None or len(where.pages) < 2:
        return None
    found = []
    for group in groups:
        means = np.array([lab[part].mean(axis=0) for part in _of_pages(group, where)])
        if len(means) > 1:
            found.append(ciede2000(means, means.mean(axis=0)).mean())
    return float(np.mean(found)) if found else None


def _drift(lab: Floats, groups: list[NDArray[np.intp]], where: Grids | None) -> float | None:
    if where is None:
        return None
    found = []
    for group in groups:
        for page in where.pages.values():
            rows, third = len(page), len(page) // 3
            upper, lower = (
                group[np.isin(group, part)] for part in (page[: third or 1], page[rows - (third or 1) :])
            )
            if len(upper) and len(lower):
                found.append(float(ciede2000(lab[upper].mean(axis=0), lab[lower].mean(axis=0))))
    return float(np.mean(found)) if found else None
