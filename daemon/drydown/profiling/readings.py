"""Are these readings fit to build from? Every fault found is said at once, with the next move; nothing is put right in silence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drydown.errors import Fault
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.pcs import Floats
from drydown.imaging.working import srgb
from drydown.measuring.grid import grids
from drydown.measuring.measurement import BadMeasurement, Condition, Measurement, need_rgb, need_stock
from drydown.measuring.misread import correlation, refuse_wrong_order
from drydown.measuring.repeats import Repeats, averaged, refuse_unsteady
from drydown.measuring.verify import holes, same_condition

#: Fewer different colours than a cube of five steps make no profile (own trials: a mean ΔE00 near 1.5 from 100, 0.5 from 288).
LEAST_COLOURS: Final = 125
GOOD_COLOURS: Final = 288
NOT_STATED: Final = Condition()
_LEAST_GREYS: Final = 5
_LEAST_SPAN_L: Final = 20.0
_LEAST_FALL_L: Final = 1.5  # of a grey ramp: what noise alone does not do
_END: Final = 1 / 512  # a device value this near its end stands for it
_FOLLOWS: Final = (
    0.9  # correlation; simulated printers reach 0.96 and more, the same charts read in another order 0.2
)
_NAMED: Final = 6


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What a profile is made from: one row a colour."""

    colours: Measurement  # repeats averaged
    counts: Floats  # (N,) readings that each is the mean of
    kept: Measurement  # the readings themselves, repeats and all
    left_out: tuple[str, ...]  # as named on the chart
    notes: tuple[str, ...]


def usable(
    measurement: Measurement,
    *,
    stock: str,
    condition: Condition = NOT_STATED,
    present: bytes | None = None,
    leave_out: Sequence[str] = (),
    anyway: bool = False,
) -> Readings:
    """The readings that remain, averaged. `condition` is what the stock states, `present` its profile if it has one, `leave_out` ids, places or rows.

    Raises BadMeasurement: no RGB set, another ISO 13655 condition (unless `anyway`), unknown names in `leave_out`, a wrong order, too few colours,
    no white, black or greys.
    """
    need_rgb(measurement, stock)
    need_stock(measurement, stock, anyway=anyway)
    notes = [*measurement.notes, *same_condition(measurement, condition, anyway=anyway)]
    if unread := holes(measurement):
        notes.append(f"{unread}; built without")
    out = _named(measurement, leave_out)
    names = tuple(measurement.named(int(row)) for row in np.flatnonzero(out))
    kept = measurement.of(~out)
    if not _follows_itself(kept):
        like = device_to_lab(present or srgb(), kept.device, intent="absolute" if present else "relative")
        refuse_wrong_order(kept, like)
    colours, counts = averaged(kept)
    if faults := list(_missing(colours)):
        raise BadMeasurement(faults)
    if len(colours) < GOOD_COLOURS:
        notes.append(f"{len(colours)} colours make a rough profile; {GOOD_COLOURS} or more make a good one")
    return Readings(colours, counts, kept, names, tuple(notes))


def refuse_unreliable(readings: Readings) -> Repeats:
    """How well repeats agree. Raises BadMeasurement where they do not, or where greys fall. Asked after mis-read rows were looked for, which cause both."""
    repeats = refuse_unsteady(readings.kept)
    if faults := list(_falling(readings.colours)):
        raise BadMeasurement(faults)
    return repeats


def _follows_itself(kept: Measurement) -> bool:
    """Whether colour follows device values at all, by any smooth rule: a second-order polynomial of them. A chart read in the wrong order follows none.

    Asked before any other profile is: a printer may differ from all others and still be read rightly.
    """
    r, g, b = kept.device.T
    terms = np.stack([r**0, r, g, b, r * r, g * g, b * b, r * g, g * b, r * b], axis=1)
    promised = terms @ np.linalg.lstsq(terms, kept.lab, rcond=None)[0]
    return correlation(kept.lab, promised) >= _FOLLOWS


def _named(measurement: Measurement, names: Sequence[str]) -> NDArray[np.bool_]:
    """Which readings these ids, places or rows of the chart stand for. Raises BadMeasurement for a name that is none."""
    out = np.zeros(len(measurement), dtype=bool)
    where = grids(measurement.places)
    rows = where.rows() if where else {}
    unknown = []
    for name in names:
        hit = np.array(
            [name in (id_, place) for id_, place in zip(measurement.ids, measurement.places, strict=True)]
        )
        if name in rows:
            hit[rows[name]] = True
        if not hit.any():
            unknown.append(name)
        out |= hit
    if unknown:
        text = f"no patch or row is called {', '.join(unknown)}"
        raise BadMeasurement(
            [
                Fault(
                    measurement.source,
                    "leave out",
                    text,
                    "name SAMPLE_IDs, places such as 1B12, or rows such as 1B",
                )
            ]
        )
    return out


def _missing(colours: Measurement) -> Iterator[Fault]:
    device, source = colours.device, colours.source
    white, black = (device >= 1 - _END).all(axis=1), (device <= _END).all(axis=1)
    grey = np.ptp(device, axis=1) < _END
    chart = "measure a chart made by: drydown profile chart"
    if len(colours) < LEAST_COLOURS:
        text = f"it holds {len(colours)} different colours; a profile needs {LEAST_COLOURS} at least, and {GOOD_COLOURS} to be good"
        yield Fault(source, "", text, chart)
    if not white.any():
        yield Fault(
            source,
            "",
            "no patch of bare paper (R = G = B = full) was measured; every colour is relative to it",
            chart,
        )
    if not black.any():
        yield Fault(source, "", "no patch of full black (R = G = B = 0) was measured", chart)
    if grey.sum() < _LEAST_GREYS:
        yield Fault(
            source, "", f"{grey.sum()} greys (R = G = B) were measured; {_LEAST_GREYS} are needed", chart
        )
    if white.any() and black.any():
        span = float(colours.lab[white, 0].mean() - colours.lab[black, 0].mean())
        if span < _LEAST_SPAN_L:
            text = f"bare paper is L* {colours.lab[white, 0].mean():.1f} and full black L* {colours.lab[black, 0].mean():.1f}; paper has to be {_LEAST_SPAN_L:.0f} lighter"
            yield Fault(
                source,
                "",
                text,
                "are device values inverted (ink instead of light), or Lab in another scale?",
            )


def _falling(colours: Measurement) -> Iterator[Fault]:
    """Greys that get darker where the device value rises, by more than noise."""
    grey = np.flatnonzero(np.ptp(colours.device, axis=1) < _END)
    grey = grey[np.argsort(colours.device[grey, 0])]
    lightness = colours.lab[grey, 0]
    falls = np.flatnonzero(np.maximum.accumulate(lightness) - lightness > _LEAST_FALL_L)
    for step in falls[:_NAMED]:
        before = int(np.argmax(lightness[:step]))
        text = (
            f"this grey (R = G = B = {colours.device[grey[step], 0]:.3f}) is L* {lightness[step]:.1f}, "
            f"darker than {colours.named(int(grey[before]))} with L* {lightness[before]:.1f}, whose device value is lower"
        )
        yield Fault(
            colours.source,
            colours.named(int(grey[step])),
            text,
            "read both again, or leave one out; a ramp that really falls has too much ink: is it the right media type?",
        )
