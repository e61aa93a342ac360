"""Is the profile still true? Readings against what it promises, and a verdict against the limits."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from drydown.errors import Fault
from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.pcs import Floats, media_relative
from drydown.measuring.grid import grids
from drydown.measuring.measurement import BadMeasurement, Condition, Measurement, need_rgb, need_stock
from drydown.measuring.misread import refuse_wrong_order
from drydown.measuring.repeats import Repeats, repeatability

_WORST: Final = 5
_GREY_CHROMA: Final = 5.0  #: a patch that should print with less C*, media-relative, is a grey
_BARE: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Limits:
    """When a verification passes: CIEDE2000, greys in a*b*."""

    mean: float = 1.5
    p95: float = 3.0
    greys: float = 1.0
    paper: float = 1.5


@dataclass(frozen=True, slots=True)
class Check:
    """One figure against its limit; `found` is None where no patch tells it, and then it does not pass."""

    name: str
    found: float | None
    limit: float

    @property
    def passed(self) -> bool:
        return self.found is not None and self.found <= self.limit


@dataclass(frozen=True, slots=True)
class Worst:
    """A patch that lies far off: where, by how much, and both colours."""

    patch: str
    de00: float
    expected: tuple[float, float, float]
    measured: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Verification:
    """What a comparison found. Differences are CIEDE2000, Lab is D50 and absolute."""

    patches: int
    checks: tuple[Check, ...]
    largest: float
    greys: int
    greys_worst: float | None  #: distance in a*b*
    paper: tuple[float, float, float] | None
    worst: tuple[Worst, ...]
    repeats: Repeats
    condition: Condition
    comparable: bool  #: in the profile's own ISO 13655 condition, as far as both are stated
    notes: tuple[str, ...]

    @property
    def passed(self) -> bool:
        return all(check.passed for check in self.checks)

    def data(self) -> dict[str, Any]:
        """JSON values, for the ledger."""
        return {**asdict(self), "passed": self.passed}


def verify(
    measurement: Measurement,
    icc: bytes,
    *,
    stock: str,
    profile_condition: Condition,
    limits: Limits,
    anyway: bool = False,
) -> Verification:
    """Compare readings with ICC-absolute Lab from the profile's A2B1.

    Raises BadMeasurement: not RGB, another ISO 13655 condition than the profile's (unless `anyway`), another stock's chart (unless `anyway`), holes in the chart, a wrong order.
    """
    need_rgb(measurement, stock)
    need_stock(measurement, stock, anyway=anyway)
    notes = [*measurement.notes, *same_condition(measurement, profile_condition, anyway=anyway)]
    if icc[12:16] != b"prtr":
        notes.append("the stock's profile is none of a printer: name the one of this paper, or build it")
    if unread := holes(measurement):
        raise BadMeasurement([Fault(measurement.source, "", unread, "read what is missing")])
    expected = device_to_lab(icc, measurement.device, intent="absolute")
    refuse_wrong_order(measurement, expected)
    away = ciede2000(measurement.lab, expected)
    paper = device_to_lab(icc, np.ones((1, 3)), intent="absolute")[0]
    bare = (measurement.device >= 1 - _BARE).all(axis=1)
    measured_paper = measurement.lab[bare].mean(axis=0) if bare.any() else None
    relative = media_relative(expected, paper)
    grey = (np.hypot(relative[:, 1], relative[:, 2]) < _GREY_CHROMA) & ~bare
    cast = np.hypot(*(measurement.lab - expected)[grey, 1:].T)
    checks = (
        Check("mean", float(away.mean()), limits.mean),
        Check("95th percentile", float(np.percentile(away, 95)), limits.p95),
        Check("greys in a*b*", float(cast.mean()) if grey.any() else None, limits.greys),
        Check(
            "paper white",
            None if measured_paper is None else float(ciede2000(measured_paper, paper)),
            limits.paper,
        ),
    )
    return Verification(
        patches=len(measurement),
        checks=checks,
        largest=float(away.max()),
        greys=int(grey.sum()),
        greys_worst=float(cast.max()) if grey.any() else None,
        paper=None if measured_paper is None else _three(measured_paper),
        worst=tuple(
            Worst(
                measurement.named(row), float(away[row]), _three(expected[row]), _three(measurement.lab[row])
            )
            for row in np.argsort(-away)[:_WORST]
        ),
        repeats=repeatability(measurement),
        condition=measurement.condition,
        comparable=not _differing(measurement.condition, profile_condition),
        notes=tuple(notes),
    )


def same_condition(measurement: Measurement, profile: Condition, *, anyway: bool = False) -> list[str]:
    """Notes on the ISO 13655 condition. Raises BadMeasurement where both state it and differ, unless `anyway`."""
    own = measurement.condition
    differing = _differing(own, profile)
    if differing and not anyway:
        raise BadMeasurement(
            Fault(
                measurement.source,
                what,
                f"the readings were made with {what} {getattr(own, what)}, the profile with {getattr(profile, what)}: they cannot be compared",
                "measure alike, or say --anyway",
            )
            for what in differing
        )
    notes = [f"compared across {what}s, because that was asked for" for what in differing]
    for what in ("mode", "backing"):
        stated, wanted = getattr(own, what), getattr(profile, what)
        if wanted and not stated:
            notes.append(f"the file does not state its {what}; the profile's is {wanted}")
        elif stated and not wanted:
            notes.append(f"the readings' {what} is {stated}; the stock does not state that of its profile")
    if own.mode == "M0":
        notes.append(
            "M0 says nothing of ultra-violet: on papers with brightener it agrees with no other mode"
        )
    return notes


def _differing(own: Condition, profile: Condition) -> list[str]:
    """What both state, and state differently."""
    return [
        what
        for what in ("mode", "backing")
        if getattr(own, what) and getattr(profile, what) and getattr(own, what) != getattr(profile, what)
    ]


def brightener(first: Measurement, second: Measurement) -> float:
    """How much b* of bare paper falls from M2 (ultra-violet cut) to M1 (with it): the strength of the paper's optical brightener.

    Raises BadMeasurement where the two are not M1 and M2, or hold no bare paper.
    """
    by_mode = {one.condition.mode: one for one in (first, second)}
    if set(by_mode) != {"M1", "M2"}:
        text = f"the two are {first.condition.mode or 'unstated'} and {second.condition.mode or 'unstated'}; M1 and M2 are needed"
        raise BadMeasurement([Fault(second.source, "mode", text, "state it in MEASUREMENT_SOURCE")])
    b_star = {}
    for mode, one in by_mode.items():
        bare = (one.device >= 1 - _BARE).all(axis=1) if one.space == "RGB" else np.zeros(len(one), dtype=bool)
        if not bare.any():
            raise BadMeasurement([Fault(one.source, "", "it holds no patch of bare paper")])
        b_star[mode] = float(one.lab[bare, 2].mean())
    return b_star["M2"] - b_star["M1"]


def holes(measurement: Measurement) -> str:
    """Which patches inside the chart were not read, in words; "" where none is known to be missing."""
    where = grids(measurement.places)
    if where is None or not (missing := where.missing()):
        return ""
    more = f" and {len(missing) - _WORST} more" if len(missing) > _WORST else ""
    many = "patches of the chart are" if len(missing) > 1 else "patch of the chart is"
    return f"{len(missing)} {many} missing: {', '.join(missing[:_WORST])}{more}"


def _three(Lab: Floats) -> tuple[float, float, float]:
    L_star, a_star, b_star = (round(float(part), 2) for part in Lab)
    return L_star, a_star, b_star
