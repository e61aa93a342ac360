"""Which fields of a measurement table hold device values, Lab, XYZ and spectra: by name, as ISO 28178 has them and as is common practice."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from drydown.errors import Fault
from drydown.measuring.cgats import Table, said_lines
from drydown.showing import shown

#: space -> its fields (ISO 28178, table of data format identifiers; plain R, G, B are common practice)
DEVICE = {
    "RGB": ("RGB_R", "RGB_G", "RGB_B"),
    "CMYK": ("CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K"),
    "CMY": ("CMY_C", "CMY_M", "CMY_Y"),
    "GRAY": ("GRAY_K",),
}
_ALSO = {"R": "RGB_R", "G": "RGB_G", "B": "RGB_B", "GRAY": "GRAY_K"}
LAB = ("LAB_L", "LAB_A", "LAB_B")
XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")
#: SPECTRAL_NM_380, SPECTRAL_NM380, SPECTRAL_380, SPEC_380, NM380, NM_380, R_380, R380NM … (common practice)
_BAND = re.compile(r"(?:SPECTRAL|SPEC|NM|R)?_?(?:NM|DEC|PCT)?_?(\d{3,4})(?:\.0+)?(?:_?NM)?")
_MOST = 1e6  #: beyond any reading in any unit
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")


@dataclass(frozen=True, slots=True)
class Columns:
    """Indices of columns; empty where the table has none."""

    space: str
    device: tuple[int, ...]
    lab: tuple[int, ...]
    xyz: tuple[int, ...]
    bands: tuple[tuple[float, int], ...]  #: wavelength in nm and column, rising
    wavelength_pairs: tuple[tuple[int, int], ...]  #: ISO 28178's SPECTRAL_NM beside SPECTRAL_PCT or _DEC
    percent: bool | None  #: whether spectra count to 100; None: the names do not tell

    @property
    def measured(self) -> bool:
        return bool(self.lab or self.xyz or self.bands or self.wavelength_pairs)


def columns(table: Table, source: str) -> tuple[Columns, list[Fault]]:
    """Find the columns by name, and the groups of which one is missing."""
    names = [_ALSO.get(name, name) for name in table.fields]
    faults: list[Fault] = []

    def group(wanted: Sequence[str]) -> tuple[int, ...]:
        missing = [name for name in wanted if name not in names]
        if missing and len(missing) < len(wanted):
            there = ", ".join(name for name in wanted if name in names)
            faults.append(
                Fault(source, "BEGIN_DATA_FORMAT", f"it names {there} and lacks {', '.join(missing)}")
            )
        return () if missing else tuple(names.index(name) for name in wanted)

    spaces = {space: found for space, wanted in DEVICE.items() if (found := group(wanted))}
    if len(spaces) > 1:
        faults.append(
            Fault(
                source,
                "BEGIN_DATA_FORMAT",
                f"it names device values of {' and '.join(spaces)}",
                "keep one of them",
            )
        )
    space = next(iter(spaces), "")
    bands = sorted(
        (float(match[1]), index) for index, name in enumerate(names) if (match := _BAND.fullmatch(name))
    )
    if len({nm for nm, _ in bands}) < len(bands):
        faults.append(Fault(source, "BEGIN_DATA_FORMAT", "it names a wavelength twice"))
    pairs = tuple(
        (index, index + 1)
        for index, name in enumerate(names[:-1])
        if name == "SPECTRAL_NM" and names[index + 1] in ("SPECTRAL_PCT", "SPECTRAL_DEC")
    )
    said = {"PCT": True, "DEC": False}
    percent = next((said[key] for key in said if any(f"SPECTRAL_{key}" in name for name in names)), None)
    return Columns(space, spaces.get(space, ()), group(LAB), group(XYZ), tuple(bands), pairs, percent), faults


def numbers(table: Table, wanted: Sequence[int], source: str) -> tuple[list[list[float]], list[Fault]]:
    """The wanted columns as numbers, row by row; faults name lines and fields, each cause once."""
    commas: list[int] = []
    bad: dict[tuple[str, str], list[int]] = {}
    rows: list[list[float]] = []
    for line, row in zip(table.lines, table.rows, strict=True):
        values = []
        for column in wanted:
            word = row[column]
            try:
                value = float(word)
            except ValueError:
                value = float("nan")
                if _DECIMAL_COMMA.fullmatch(word):
                    commas.append(line)
                    continue
            if not abs(value) <= _MOST or "_" in word:  # nan and infinite too, and digits that are grouped
                bad.setdefault((table.fields[column], word), []).append(line)
            values.append(value)
        rows.append(values)
    faults = []
    if commas:
        faults.append(
            Fault(
                source,
                said_lines(sorted(set(commas))),
                "numbers are written with a decimal comma",
                "export with decimal points, or replace the commas between digits by points",
            )
        )
    for (name, word), lines in bad.items():
        faults.append(Fault(source, said_lines(lines), f'{name} is "{shown(word)}", which is no reading'))
    return rows, faults
