"""What an instrument found: patches with their device values and colours, and under which conditions."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from drydown.errors import DrydownError, Exit, Fault
from drydown.imaging.pcs import Floats, xyz_from_lab
from drydown.showing import shown

Given = Literal["spectra", "lab", "xyz"]
_MADE_FOR: Final = re.compile(r"chart for stock (\S+?),")


class BadMeasurement(DrydownError):
    """A measurement cannot be used; holds every fault found. Nothing was changed."""

    exit_code = Exit.STUDIO_FAULTY

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """How it was measured, in the words of ISO 13655. An empty text: not stated."""

    mode: str = ""  #: "M0" to "M3"
    backing: str = ""  #: "white" or "black"

    def __str__(self) -> str:
        return f"{self.mode or 'mode not stated'}, {self.backing + ' backing' if self.backing else 'backing not stated'}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """The rows of one table, N of them, in the order of the file."""

    ids: tuple[str, ...]  #: SAMPLE_ID, else the row's number
    places: tuple[str, ...]  #: SAMPLE_LOC such as "1B12" (page 1, row B, column 12), or ""
    lines: tuple[int, ...]  #: the line of the file that each row stands on
    space: str  #: "RGB", "CMYK", "CMY", "GRAY"; "" where the file holds no device values
    device: Floats  #: (N, channels) in 0..1; CMYK and CMY count ink
    lab: Floats  #: (N, 3) CIELAB, D50, 2 degrees, against the perfect diffuser (not media-relative)
    given: Given  #: what `lab` was taken or computed from
    spectra: Floats | None = None  #: (N, W) reflectance factors, 1 = perfect diffuser
    wavelengths_nm: Floats | None = None  #: (W,)
    condition: Condition = Condition()
    instrument: str = ""
    created: str = ""
    keywords: Mapping[str, str] = field(default_factory=dict)  #: every keyword of the table, upper case
    source: str = ""  #: the file's name, as it may be shown
    text: bytes = b""  #: the file as it was
    notes: tuple[str, ...] = ()  #: what was decided by rule and should be said

    def __len__(self) -> int:
        return len(self.ids)

    @property
    def xyz(self) -> Floats:
        """(N, 3) tristimulus values under the ICC's D50, Y of the perfect diffuser = 1."""
        return xyz_from_lab(self.lab)

    def of(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Measurement:
        """The same with some of the rows, by index or by mask, in that order."""
        picked = np.arange(len(self))[rows]
        values = {part.name: getattr(self, part.name) for part in fields(self)}
        for name in ("ids", "places", "lines"):
            values[name] = tuple(values[name][row] for row in picked)
        for name in ("device", "lab", "spectra"):
            values[name] = None if values[name] is None else values[name][picked]
        return Measurement(**values)

    def named(self, row: int) -> str:
        """How a person finds a row: its place and id on the chart, its line in the file."""
        where = (
            f"{self.places[row]} (patch {self.ids[row]})" if self.places[row] else f"patch {self.ids[row]}"
        )
        return f"{shown(where)}, line {self.lines[row]}" if self.lines[row] else shown(where)


def need_stock(measurement: Measurement, stock: str, *, anyway: bool = False) -> None:
    """Refuse readings that name the stock that their chart was made for, where it is another. Raises BadMeasurement, unless `anyway`."""
    made_for = _MADE_FOR.search(measurement.keywords.get("DESCRIPTOR", ""))
    if made_for and made_for[1] != stock and not anyway:
        text = f"the chart was made for stock {shown(made_for[1])}, and {stock} was asked for"
        guess = f"name stock {shown(made_for[1])}, or say --anyway where it was printed on {stock}"
        raise BadMeasurement([Fault(measurement.source, "DESCRIPTOR", text, guess)])


def need_rgb(measurement: Measurement, stock: str) -> None:
    """Refuse a set without RGB device values. Raises BadMeasurement."""
    if measurement.space == "RGB":
        return
    what = f"{measurement.space} device values" if measurement.space else "no device values"
    raise BadMeasurement(
        [
            Fault(
                measurement.source,
                "",
                f"it holds {what}, but the stock {stock} is printed through an RGB profile",
                f"measure a chart made by: drydown profile chart {stock}",
            )
        ]
    )
