"""The readings that a profile was made from, where it carries them: ICC.1's charTargetTag."""

from __future__ import annotations

from contextlib import suppress

from drydown.imaging.icc_lut import number
from drydown.measuring.measurement import BadMeasurement, Condition, Measurement
from drydown.measuring.reader import cgats_from_text


def readings_in(icc: bytes) -> Measurement | None:
    """The readings (ICC.1:2022, 9.2.15: text as ISO 28178 has it); None where there is no such tag. Raises BadMeasurement.

    `icc`: a profile whose tag table was checked.
    """
    for index in range(number(icc, 128)):
        entry = 132 + 12 * index
        if icc[entry : entry + 4] == b"targ":
            start, size = number(icc, entry + 4), number(icc, entry + 8)
            # the type's signature and four reserved bytes come first (10.24)
            return cgats_from_text(icc[start + 8 : start + size], source="the profile's targ")
    return None


def condition_in(icc: bytes) -> Condition:
    """The ISO 13655 condition of those readings; nothing stated where there are none, or in a form that is not read."""
    with suppress(BadMeasurement):
        if (readings := readings_in(icc)) is not None:
            return readings.condition
    return Condition()
