"""Writing ISO 28178 (CGATS) text: a chart's reference, or readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drydown.measuring.columns import DEVICE, LAB
from drydown.measuring.measurement import Measurement

IDENTIFIER = "ISO28178"
#: Keywords of the standard that need no KEYWORD line before them (ISO 28178).
STANDARD = frozenset(
    {
        "ORIGINATOR",
        "FILE_DESCRIPTOR",
        "DESCRIPTOR",
        "CREATED",
        "INSTRUMENTATION",
        "MEASUREMENT_SOURCE",
        "MEASUREMENT_GEOMETRY",
        "PRINT_CONDITIONS",
        "SAMPLE_BACKING",
        "MATERIAL",
        "MANUFACTURER",
        "PROD_DATE",
        "SERIAL",
        "FILTER",
        "POLARIZATION",
        "WEIGHTING_FUNCTION",
        "COMPUTATIONAL_PARAMETER",
        "TARGET_TYPE",
    }
)
_COUNTS = frozenset({"NUMBER_OF_FIELDS", "NUMBER_OF_SETS"})


def table_text(keywords: Mapping[str, str], fields: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """One table. Words with spaces are quoted; lines end with a line feed."""
    lines = [IDENTIFIER, ""]
    for key, value in keywords.items():
        if key in _COUNTS:
            continue
        if key not in STANDARD:
            lines.append(f'KEYWORD "{key}"')
        lines.append(f'{key} "{_one_line(value)}"')
    lines += ["", f"NUMBER_OF_FIELDS {len(fields)}", "BEGIN_DATA_FORMAT", " ".join(fields), "END_DATA_FORMAT"]
    lines += ["", f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    lines += [" ".join(_word(value) for value in row) for row in rows]
    return "\n".join([*lines, "END_DATA", ""])


def cgats_text(measurement: Measurement) -> str:
    """Readings as text: device values 0 to 255 (RGB) or 0 to 100, Lab, and spectra where there are some.

    What is read back equals it to 0.0001 of each number.
    """
    full = 255.0 if measurement.space == "RGB" else 100.0
    fields = ["SAMPLE_ID", "SAMPLE_LOC", *DEVICE.get(measurement.space, ()), *LAB]
    if measurement.wavelengths_nm is not None:
        fields += [f"SPECTRAL_NM_{nm:g}" for nm in measurement.wavelengths_nm]
    rows = []
    for index, name in enumerate(measurement.ids):
        row = [name, measurement.places[index]]
        row += [f"{value * full:.4f}" for value in measurement.device[index]]
        row += [f"{value:.4f}" for value in measurement.lab[index]]
        if measurement.spectra is not None:
            row += [f"{value:.6f}" for value in measurement.spectra[index]]
        rows.append(row)
    keywords = dict(measurement.keywords)
    if measurement.condition.mode:
        keywords["MEASUREMENT_SOURCE"] = f"Illumination={measurement.condition.mode}"
    if measurement.condition.backing:
        keywords["SAMPLE_BACKING"] = measurement.condition.backing
    if measurement.instrument:
        keywords["INSTRUMENTATION"] = measurement.instrument
    if measurement.created:
        keywords["CREATED"] = measurement.created
    return table_text(keywords, fields, rows)


def _word(value: str) -> str:
    return f'"{_one_line(value)}"' if not value or any(c in value for c in ' \t"#') else value


def _one_line(value: str) -> str:
    return " ".join(value.split()).replace('"', '""')
