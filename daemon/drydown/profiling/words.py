"""A build's report as lines for a person."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from drydown.imaging.pcs import xyz_from_lab
from drydown.profiling.build import Report

_SHOWN = 3


def report_lines(stock: str, report: Report) -> Iterator[str]:
    """What was built and how good it is; differences are CIEDE2000."""
    held, density = report.held_back, -np.log10(max(float(xyz_from_lab(np.array(report.black))[1]), 1e-6))
    yield f"{stock}: ICC version {report.version} from {report.colours} colours ({report.readings} readings, {report.condition})"
    yield (
        f"  held back   {held.patches} patches that the trial fit had not seen: mean {held.mean:.2f}, "
        f"95th percentile {held.p95:.2f}, largest {held.largest:.1f} (reading noise included)"
    )
    if held.greys_ab is not None:
        yield f"              {held.greys} near-greys of them: {held.greys_ab:.2f} off in a*b*"
    for patch in held.worst:
        yield f"              {patch.patch}: {patch.de00:.1f}, expected {_lab(patch.expected)}, measured {_lab(patch.measured)}"
    yield f"  paper       Lab {_lab(report.paper)}"
    yield f"  black       Lab {_lab(report.black)}, density {density:.2f}"
    yield f"  way back    colours in gamut asked for and printed by the model: mean {report.round_trip[0]:.2f}, 95th percentile {report.round_trip[1]:.2f}"
    yield f"  greys       at most {report.grey_ab:.2f} off neutral in a*b* where greys are asked for"
    yield (
        f"  readings    noise {report.noise:.2f} (deviation over three axes, unevenness of the printer included)"
        + _repeats(report)
    )
    for patch in report.suspects:
        yield (
            f"  suspect     {patch.patch} lies {patch.de00:.1f} from what its neighbours promise: measured {_lab(patch.measured)}, "
            f"expected {_lab(patch.expected)}; kept. Read it again, or leave it out with --leave-out"
        )
    if report.left_out:
        more = f"; and {len(report.left_out) - _SHOWN} more" if len(report.left_out) > _SHOWN else ""
        yield f"  left out    {len(report.left_out)}, as asked: {'; '.join(report.left_out[:_SHOWN])}{more}"
    for note in report.notes:
        yield f"  note        {note}"


def _repeats(report: Report) -> str:
    if report.repeats.mean is None:
        return "; nothing was read twice"
    return f"; repeats differ by {report.repeats.mean:.2f}, at most {report.repeats.worst_de:.1f}"


def _lab(Lab: tuple[float, float, float]) -> str:
    return " ".join(f"{part:z.1f}" for part in Lab)
