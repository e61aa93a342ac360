"""A chart's reference beside its readings: many instruments export places and colours only, so device values come from the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from drydown.errors import Fault
from drydown.imaging.pcs import Floats
from drydown.measuring.cgats import need_file, tables
from drydown.measuring.columns import columns, numbers
from drydown.measuring.measurement import BadMeasurement, Measurement
from drydown.measuring.scales import device_scale
from drydown.showing import shown

_SAME: Final = 0.006  # of the device's range: 8-bit steps, and values in whole per cent
_NAMED: Final = 5


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What stands on a chart, patch by patch."""

    name: str  #: the chart's, or ""
    ids: tuple[str, ...]
    places: tuple[str, ...]
    space: str
    device: Floats  #: (N, channels) in 0..1
    source: str
    descriptor: str = ""  #: which stock and sheet it was made for, in words


def read_reference(path: Path) -> Reference:
    """Read a chart's reference. Raises NotFound, BadMeasurement with every fault."""
    source = shown(path.name)
    need_file(path, "the patches of a chart")
    found, faults = tables(path.read_bytes(), source)
    if faults:
        raise BadMeasurement(faults)
    table = found[0]
    where, faults = columns(table, source)
    if not where.device:
        faults.append(
            Fault(source, "BEGIN_DATA_FORMAT", "it names no device values", "is it a chart's reference?")
        )
    values, more = numbers(table, where.device, source)
    if faults := [*faults, *more]:
        raise BadMeasurement(faults)
    device = np.array(values)
    full, said = device_scale(device, where.space)
    if not full:
        raise BadMeasurement([Fault(source, "", said)])

    def labels(name: str) -> tuple[str, ...]:
        if name not in table.fields:
            return ("",) * len(values)
        column = table.fields.index(name)
        return tuple(row[column] for row in table.rows)

    return Reference(
        table.keywords.get("CHART", ""),
        labels("SAMPLE_ID"),
        labels("SAMPLE_LOC"),
        where.space,
        device / full,
        source,
        table.keywords.get("DESCRIPTOR", ""),
    )


def joined(measurement: Measurement, reference: Reference) -> Measurement:
    """The readings with the reference's device values, matched by place, else by id, else in order where the numbers are equal.

    Raises BadMeasurement: patches missing or unknown, device values that are not the reference's, another chart.
    """
    faults: list[Fault] = []
    named = measurement.keywords.get("CHART", "")
    if named and reference.name and named != reference.name:
        text = f"these are readings of the chart {shown(named)}, and {reference.source} is that of {shown(reference.name)}"
        raise BadMeasurement([Fault(measurement.source, "CHART", text)])
    rows, faults = _matched(measurement, reference)
    if faults:
        raise BadMeasurement(faults)
    device = reference.device[rows]
    if measurement.space and measurement.space != reference.space:
        text = f"it holds {measurement.space} device values, and the chart {reference.space}"
        raise BadMeasurement([Fault(measurement.source, "", text, "is it the file of another chart?")])
    if measurement.space and (fault := _other_values(measurement, device)):
        raise BadMeasurement([fault])
    places = tuple(reference.places[row] for row in rows)
    keywords = dict(measurement.keywords)
    if reference.descriptor:
        keywords["DESCRIPTOR"] = reference.descriptor
    return replace(measurement, device=device, space=reference.space, places=places, keywords=keywords)


def _matched(measurement: Measurement, reference: Reference) -> tuple[list[int], list[Fault]]:
    for what, own, theirs in (
        ("place", measurement.places, reference.places),
        ("patch", measurement.ids, reference.ids),
    ):
        if not all(own) or not all(theirs) or not set(own) & set(theirs):
            continue
        at = {name: row for row, name in enumerate(theirs)}
        faults = []
        if unknown := [name for name in own if name not in at]:
            faults.append(
                Fault(measurement.source, "", f"{_some(what, unknown)} not on the chart {reference.source}")
            )
        if missing := [name for name in theirs if name not in set(own)]:
            faults.append(
                Fault(measurement.source, "", f"{_some(what, missing)} missing", "read what is missing")
            )
        return [at[name] for name in own if name in at], faults
    if len(measurement) == len(reference.device):
        return list(range(len(measurement))), []
    text = f"it holds {len(measurement)} readings, and the chart {reference.source} has {len(reference.device)} patches"
    return [], [Fault(measurement.source, "", text, "read all of them, and export SAMPLE_LOC or SAMPLE_ID")]


def _some(what: str, names: Sequence[str]) -> str:
    shortened = ", ".join(shown(name) for name in names[:_NAMED])
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    verb = "is" if len(names) == 1 else "are"
    return f"{what}{'s' if len(names) > 1 else ''} {shortened}{more} {verb}"


def _other_values(measurement: Measurement, device: Floats) -> Fault | None:
    """Why the file's own device values are not the reference's; None where they are."""
    away = np.abs(measurement.device - device).max(axis=1)
    if (away <= _SAME).all():
        return None
    for factor, words in (
        (2.55, "0 to 100, and were taken as 0 to 255"),
        (1 / 2.55, "0 to 255, and were taken as 0 to 100"),
    ):
        if np.abs(np.clip(measurement.device * factor, 0, 1) - device).max() <= _SAME:
            return Fault(
                measurement.source, "", f"its device values count {words}", "export them in one scale"
            )
    worst = int(away.argmax())
    text = f"{int((away > _SAME).sum())} of its device values are not the reference's, first of all at {measurement.named(worst)}"
    return Fault(measurement.source, "", text, "is it the file of another chart, or sorted in another order?")
