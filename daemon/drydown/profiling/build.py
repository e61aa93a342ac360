"""From readings to a profile and the report on it. Values in, bytes out; where they go is the caller's affair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_build import UNDATED, Version, printer_profile_bytes
from drydown.imaging.pcs import Floats, media_relative, xyz_from_lab
from drydown.imaging.printer_axes import encode_lab
from drydown.imaging.printer_profile import printer_tables
from drydown.imaging.printer_table import Forward
from drydown.measuring.measurement import Condition, Measurement
from drydown.measuring.repeats import Repeats
from drydown.profiling.model import NODES, PrinterModel, fit_model, rising
from drydown.profiling.readings import NOT_STATED, Readings, refuse_unreliable, usable
from drydown.profiling.suspects import Suspect, suspects

_HELD_SHARE: Final = 0.1  # of the colours, held back from a trial fit
_HELD_MOST: Final = 100
_GREY_CHROMA: Final = 5.0
_WORST: Final = 5
_GREYS: Final = 2000
_GREYS_FROM: Final = 2.0  # L* above black, where a print can be neutral at all


@dataclass(frozen=True, slots=True)
class HeldBack:
    """How well a fit of the other patches foretells patches that it has not seen. CIEDE2000, reading noise included."""

    patches: int
    mean: float
    p95: float
    largest: float
    greys: int
    greys_ab: float | None  # mean distance in a*b*
    worst: tuple[Suspect, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """What was built, from what, and how good it is."""

    colours: int
    readings: int
    left_out: tuple[str, ...]
    suspects: tuple[Suspect, ...]
    noise: float  # deviation of a reading over three axes, as the fit sees it
    repeats: Repeats
    held_back: HeldBack
    paper: tuple[float, float, float]
    black: tuple[float, float, float]
    round_trip: tuple[
        float, float
    ]  # mean and 95th percentile of ΔE00: colours in gamut through B2A1, then the model
    grey_ab: float  # most a*b* of a printed grey
    greys_moved: float  # L* by which falling greys were raised
    condition: Condition
    version: int
    notes: tuple[str, ...]

    def data(self) -> dict[str, Any]:
        """JSON values."""
        return asdict(self)


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """A profile and the report on it."""

    icc: bytes
    report: Report


def build(
    measurement: Measurement,
    *,
    stock: str,
    description: str,
    condition: Condition = NOT_STATED,
    present: bytes | None = None,
    leave_out: Sequence[str] = (),
    anyway: bool = False,
    matte: bool = False,
    version: Version = 2,
    created: datetime = UNDATED,
) -> Built:
    """The profile of what was measured. See `readings.usable` and `refuse_unreliable` for what is refused (BadMeasurement), as is a mis-read row (`suspects`)."""
    fit_for = usable(
        measurement, stock=stock, condition=condition, present=present, leave_out=leave_out, anyway=anyway
    )
    colours, counts = fit_for.colours, fit_for.counts
    held = _held(colours.device)
    trial = fit_model(colours.device[~held], colours.lab[~held], counts[~held])
    model = fit_model(colours.device, colours.lab, counts, like=trial)
    odd = suspects(colours, counts, model)
    repeats = refuse_unreliable(fit_for)
    forward, moved = rising(model)
    tables = printer_tables(
        forward, version, a2b_points=NODES
    )  # straight lines over fewer would cost ΔE00 0.03
    paper, black = forward(np.array([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]]))
    icc = printer_profile_bytes(
        description=description,
        paper_XYZ=xyz_from_lab(paper),
        black_XYZ=xyz_from_lab(black),
        tables=tables,
        measurements=measurement.text.decode("ascii", "replace"),
        matte=matte,
        version=version,
        created=created,
    )
    round_trip, grey_ab = _back(forward, lambda Lab: tables["B2A1"].read(encode_lab(Lab)), paper)
    report = Report(
        colours=len(colours),
        readings=int(counts.sum()),
        left_out=fit_for.left_out,
        suspects=odd,
        noise=model.noise,
        repeats=repeats,
        held_back=_held_back(colours.of(held), trial, paper),
        paper=_three(paper),
        black=_three(black),
        round_trip=round_trip,
        grey_ab=grey_ab,
        greys_moved=moved,
        condition=measurement.condition,
        version=version,
        notes=_notes(fit_for, moved),
    )
    return Built(icc, report)


def _held(device: Floats) -> NDArray[np.bool_]:
    """A tenth of the colours, drawn at random; corners of the cube are never held back, because nothing else tells of them."""
    free = np.flatnonzero(((device > 0) & (device < 1)).any(axis=1))
    count = min(_HELD_MOST, round(_HELD_SHARE * len(device)))
    held = np.zeros(len(device), dtype=bool)
    held[np.random.default_rng(1).permutation(free)[:count]] = True
    return held


def _held_back(held: Measurement, trial: PrinterModel, paper: Floats) -> HeldBack:
    expected = trial.lab(held.device)
    away = ciede2000(held.lab, expected)
    relative = media_relative(expected, paper)
    grey = np.hypot(relative[:, 1], relative[:, 2]) < _GREY_CHROMA
    cast = np.hypot(*(held.lab - expected)[grey, 1:].T)
    return HeldBack(
        patches=len(held),
        mean=float(away.mean()),
        p95=float(np.percentile(away, 95)),
        largest=float(away.max()),
        greys=int(grey.sum()),
        greys_ab=float(cast.mean()) if grey.any() else None,
        worst=tuple(
            Suspect(
                held.named(int(row)), round(float(away[row]), 1), _three(expected[row]), _three(held.lab[row])
            )
            for row in np.argsort(-away)[:_WORST]
        ),
    )


def _back(forward: Forward, to_device: Forward, paper: Floats) -> tuple[tuple[float, float], float]:
    """Colours in gamut through the table and the model again; and greys, how far from neutral they print."""
    wanted = media_relative(forward(np.random.default_rng(2).random((5000, 3))), paper)
    away = ciede2000(media_relative(forward(to_device(wanted)), paper), wanted)
    black_L = float(media_relative(forward(np.zeros((1, 3))), paper)[0, 0])
    lightness = np.linspace(black_L + _GREYS_FROM, 97, _GREYS)
    greys = np.stack([lightness, 0 * lightness, 0 * lightness], axis=1)
    printed = media_relative(forward(to_device(greys)), paper)
    return (float(away.mean()), float(np.percentile(away, 95))), float(
        np.hypot(printed[:, 1], printed[:, 2]).max()
    )


def _notes(readings: Readings, moved: float) -> tuple[str, ...]:
    mended = [f"greys that fell by up to {moved:.2f} L* were made to rise"] if moved > 0.05 else []
    return (*readings.notes, *mended)


def _three(Lab: Floats) -> tuple[float, float, float]:
    L_star, a_star, b_star = (round(float(part), 2) for part in Lab)
    return L_star, a_star, b_star
