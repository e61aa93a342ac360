"""One chart that was read into several files, page by page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from drydown.errors import Fault
from drydown.measuring.measurement import BadMeasurement, Measurement

#: What must be the same in all of them, and what it is called.
_ALIKE: Final = (
    ("space", "device space"),
    ("condition", "ISO 13655 condition"),
    ("given", "kind of colours"),
)


def together(parts: Sequence[Measurement]) -> Measurement:
    """The rows of all parts, in order; one part is answered as it is.

    Where ids come again, each file counting from 1, rows are numbered anew; where places come again the parts are no pages of one chart.
    Raises BadMeasurement for that, and for parts that were not measured alike.
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    faults = [
        Fault(
            part.source,
            "",
            f"its {called} is not that of {first.source}",
            "measure all pages of a chart alike",
        )
        for part in parts[1:]
        for name, called in _ALIKE
        if getattr(part, name) != getattr(first, name)
    ]
    places = [place for part in parts for place in part.places]
    named = [place for place in places if place]
    if len(set(named)) < len(named):
        again = next(place for place in named if named.count(place) > 1)
        faults.append(
            Fault(
                parts[-1].source, "", f"place {again} was read in another file already", "give each page once"
            )
        )
    if faults:
        raise BadMeasurement(faults)
    ids = [name for part in parts for name in part.ids]
    if len(set(ids)) < len(ids):
        ids = [str(row + 1) for row in range(len(ids))]
    bands = first.wavelengths_nm
    same_bands = bands is not None and all(
        part.wavelengths_nm is not None and np.array_equal(part.wavelengths_nm, bands) for part in parts
    )
    return replace(
        first,
        ids=tuple(ids),
        places=tuple(places),
        lines=tuple(line for part in parts for line in part.lines),
        device=np.concatenate([part.device for part in parts]),
        lab=np.concatenate([part.lab for part in parts]),
        spectra=np.concatenate([part.spectra for part in parts]) if same_bands else None,
        wavelengths_nm=bands if same_bands else None,
        source=" and ".join(part.source for part in parts),
        text=b"\n".join(part.text for part in parts),
        notes=tuple(dict.fromkeys(note for part in parts for note in part.notes)),
    )
