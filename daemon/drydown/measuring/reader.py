"""Reading what an instrument's program wrote: ISO 28178 (CGATS) text to one `Measurement`, or every fault of it at once."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import numpy as np

from drydown.errors import Fault
from drydown.imaging.pcs import Floats
from drydown.measuring.cgats import Table, need_file, said_lines, tables
from drydown.measuring.columns import Columns, columns, numbers
from drydown.measuring.measurement import BadMeasurement, Condition, Given, Measurement
from drydown.measuring.scales import device_scale, disagreement, lab_fault, lab_of_xyz
from drydown.measuring.spectral import LEAST_NM, STEPS_NM, lab_from_spectra
from drydown.showing import shown

_MOST_BYTES: Final = 64 * 2**20
_FAR: Final = 1.0  # mean difference of a file's own Lab from its spectra that is worth saying
#: Keywords that may tell the mode of ISO 13655, the likeliest first.
_MODE_KEYS: Final = (
    "MEASUREMENT_CONDITION",
    "MEASUREMENT_CONDITIONS",
    "MEASUREMENT_SOURCE",
    "MEASUREMENT_MODE",
    "ILLUMINATION_NAME",
    "FILTER",
    "INSTRUMENTATION",
)
_LIGHT_KEYS: Final = ("ILLUMINANT", "WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER", "INSTRUMENTATION")
_OBSERVER_KEYS: Final = ("OBSERVER", "OBSERVER_ANGLE", *_LIGHT_KEYS[1:])


def read_cgats(path: Path, *, table: int | None = None) -> Measurement:
    """Read a file. `table` counts from 1 and is needed only where several hold colours.

    Raises BadMeasurement with every fault, NotFound where there is no such file.
    """
    name = shown(path.name)
    need_file(path, "the readings of a chart")
    if path.stat().st_size > _MOST_BYTES:
        raise BadMeasurement([Fault(name, "", "it is larger than 64 MB, which no chart's readings are")])
    return cgats_from_text(path.read_bytes(), source=name, table=table)


def cgats_from_text(data: bytes, *, source: str, table: int | None = None) -> Measurement:
    """Read the text itself, such as a profile's `targ`. Raises BadMeasurement."""
    found, faults = tables(data, source)
    if faults:
        raise BadMeasurement(faults)
    one, notes = _the_table(found, source, table)
    where, faults = columns(one, source)
    if not where.measured and not faults:
        faults.append(
            Fault(source, "BEGIN_DATA_FORMAT", "it names neither Lab, XYZ nor spectra", "export one of them")
        )
    if faults:
        raise BadMeasurement(faults)
    return _Table(one, where, source, data, notes).measurement()


def _the_table(found: list[Table], source: str, wanted: int | None) -> tuple[Table, list[str]]:
    if wanted is not None:
        if not 1 <= wanted <= len(found):
            raise BadMeasurement(
                [Fault(source, "", f"it holds {len(found)} tables, and table {wanted} was asked for")]
            )
        return found[wanted - 1], []
    measured = [index for index, table in enumerate(found) if columns(table, source)[0].measured]
    if len(measured) > 1:
        which = " and ".join(str(index + 1) for index in measured)
        raise BadMeasurement(
            [
                Fault(
                    source,
                    "",
                    f"tables {which} hold colours, and one chart is wanted",
                    "keep one table in the file",
                )
            ]
        )
    index = measured[0] if measured else 0
    return found[index], [f"table {index + 1} of {len(found)} is read"] if len(found) > 1 else []


class _Table:
    """One table on its way to a `Measurement`; gathers faults and notes."""

    def __init__(self, table: Table, where: Columns, source: str, data: bytes, notes: list[str]) -> None:
        self.table, self.where, self.source, self.data = table, where, source, data
        self.notes = notes
        self.faults: list[Fault] = []

    def values(self, wanted: tuple[int, ...]) -> Floats:
        rows, faults = numbers(self.table, wanted, self.source)
        self.faults += [fault for fault in faults if fault not in self.faults]
        return np.array(rows) if not faults else np.zeros((0, 0))

    def measurement(self) -> Measurement:
        ids = self.labels("SAMPLE_ID") or tuple(str(row + 1) for row in range(len(self.table.rows)))
        twice = (
            [line for line, name in zip(self.table.lines, ids, strict=True) if ids.count(name) > 1]
            if len(set(ids)) < len(ids)
            else []
        )
        if twice:
            self.faults.append(
                Fault(
                    self.source,
                    said_lines(twice),
                    "SAMPLE_ID comes more than once",
                    "give each patch its own",
                )
            )
        device = self.device()
        spectra, wavelengths = self.spectra()
        lab, given = self.lab(spectra, wavelengths)
        condition = self.condition(given)
        if self.faults:
            raise BadMeasurement(self.faults)
        keywords = self.table.keywords
        return Measurement(
            ids=ids,
            places=self.labels("SAMPLE_LOC") or self.labels("SAMPLE_NAME") or ("",) * len(ids),
            lines=tuple(self.table.lines),
            space=self.where.space,
            device=device,
            lab=lab,
            given=given,
            spectra=spectra,
            wavelengths_nm=wavelengths,
            condition=condition,
            instrument=keywords.get("INSTRUMENTATION", ""),
            created=keywords.get("CREATED", ""),
            keywords=dict(keywords),
            source=self.source,
            text=self.data,
            notes=tuple(self.notes),
        )

    def labels(self, name: str) -> tuple[str, ...]:
        if name not in self.table.fields:
            return ()
        column = self.table.fields.index(name)
        return tuple(row[column] for row in self.table.rows)

    def device(self) -> Floats:
        if not self.where.device:
            return np.zeros((len(self.table.rows), 0))
        values = self.values(self.where.device)
        if not values.size:
            return values
        full, said = device_scale(values, self.where.space)
        if not full:
            names = ", ".join(self.table.fields[column] for column in self.where.device)
            self.faults.append(
                Fault(self.source, names, said, "export the whole chart, white and black included")
            )
            return values
        self.notes.append(said)
        return np.asarray(np.clip(values / full, 0, 1))

    def spectra(self) -> tuple[Floats | None, Floats | None]:
        if self.where.wavelength_pairs:
            stated = self.values(tuple(column for column, _ in self.where.wavelength_pairs))
            values = self.values(tuple(column for _, column in self.where.wavelength_pairs))
            if not stated.size or not values.size:
                return None, None
            if (stated != stated[0]).any():
                self.faults.append(
                    Fault(self.source, "SPECTRAL_NM", "the wavelengths are not the same in every row")
                )
                return None, None
            order = np.argsort(stated[0])
            nm, values = stated[0][order], values[:, order]
        elif self.where.bands:
            nm = np.array([wavelength for wavelength, _ in self.where.bands])
            values = self.values(tuple(column for _, column in self.where.bands))
        else:
            return None, None
        if not values.size or not self._bands_fit(nm):
            return None, None
        percent = self.where.percent if self.where.percent is not None else bool(values.max() > 3)
        values = values / 100 if percent else values
        if values.min() < -0.05 or values.max() > 3:
            self.faults.append(
                Fault(
                    self.source,
                    "spectra",
                    f"reflectances from {values.min():.2f} to {values.max():.2f} are none of a print",
                )
            )
            return None, None
        self.notes.append(
            f"spectra of {len(nm)} bands, {nm[0]:g} to {nm[-1]:g} nm, {'in per cent' if percent else 'as factors'}; Lab is computed for D50, 2 degrees"
        )
        return values, nm

    def _bands_fit(self, nm: Floats) -> bool:
        steps = np.diff(nm)
        if len(nm) < 2 or np.ptp(steps) > 1e-6 or steps[0] not in STEPS_NM:
            reason = f"the spectrum's {len(nm)} wavelengths do not stand in even steps of 1, 5, 10 or 20 nm"
        elif nm[0] > LEAST_NM[0] or nm[-1] < LEAST_NM[1]:
            reason = f"the spectrum goes from {nm[0]:g} to {nm[-1]:g} nm; colour needs 400 to 700 at least"
        else:
            return True
        self.faults.append(
            Fault(self.source, "BEGIN_DATA_FORMAT", reason, "export 380 to 730 nm in steps of 10")
        )
        return False

    def lab(self, spectra: Floats | None, nm: Floats | None) -> tuple[Floats, Given]:
        own = self.values(self.where.lab) if self.where.lab else np.zeros((0, 3))
        xyz = self.values(self.where.xyz) if self.where.xyz else np.zeros((0, 3))
        if spectra is not None and nm is not None:
            lab = lab_from_spectra(spectra, nm)
            if len(own) == len(lab) and (away := float(np.linalg.norm(own - lab, axis=1).mean())) > _FAR:
                self.notes.append(
                    f"the file's own Lab differ from its spectra by {away:.1f} on the average; the spectra are used"
                )
            return lab, "spectra"
        fault = None
        given: Given = "lab"
        if own.size:
            fault = lab_fault(own, self.source)
            if fault is None and xyz.size:
                fault = disagreement(own, xyz, self.source)
        elif xyz.size:
            own, said, fault = lab_of_xyz(xyz, self.source)
            given = "xyz"
            self.notes.append(said)
        if fault:
            self.faults.append(fault)
        return own, given

    def condition(self, given: Given) -> Condition:
        keywords = self.table.keywords
        mode = ""
        for key in _MODE_KEYS:
            if found := re.search(r"(?<![\w/])M([0-3])\b", keywords.get(key, "").upper()):
                mode = f"M{found[1]}"
                break
        text = f"{keywords.get('SAMPLE_BACKING', '')} {keywords.get('INSTRUMENTATION', '')}".lower()
        backing = re.search(r"\b(white|black)\b", keywords.get("SAMPLE_BACKING", "").lower()) or re.search(
            r"\b(white|black) backing\b", text
        )
        if given != "spectra":
            self._light_fits(keywords)
        return Condition(mode=mode, backing=backing[1] if backing else "")

    def _light_fits(self, keywords: dict[str, str]) -> None:
        for key in _LIGHT_KEYS:
            value = keywords.get(key, "").upper()
            named = value if key == "ILLUMINANT" else (re.search(r"ILLUMINANT\W+(\w+)", value) or ["", ""])[1]
            light = re.search(r"\b(D\s?\d\d|[ACE]|F\d{1,2}|TL84)\b", named)
            if light and light[1].replace(" ", "") != "D50":
                self._wrong(key, f"the colours are stated for the illuminant {light[1]}")
                break
        for key in _OBSERVER_KEYS:
            value = keywords.get(key, "").upper()
            degrees = re.search(r"\b(2|10)\s*(?:°|DEG)", value) or (
                re.search(r"\b(2|10|1931|1964)\b", value) if key.startswith("OBSERVER") else None
            )
            if degrees and degrees[1] in ("10", "1964"):
                self._wrong(key, "the colours are stated for the 10 degree observer")
                break

    def _wrong(self, key: str, reason: str) -> None:
        self.faults.append(
            Fault(
                self.source,
                key,
                reason,
                "a profile needs D50 and 2 degrees: set that in the export, or export spectra",
            )
        )
