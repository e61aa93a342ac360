"""The demo's papers: invented inks on an invented pearl and an invented matte stock, and their ICC profiles.

Solids, paper white, black and grey axis are of the size that measured photo papers show; the numbers were made up for
this file. `python -m drydown.demo.paper` prints how good the profiles are.
"""

import sys
import time
import warnings
from dataclasses import astuple, fields
from functools import cache

from drydown.imaging.ink_model import Band, Driver, Ink, InkSet, Paper, SimulatedPrinter
from drydown.imaging.printer_figures import ProfileFigures, measure
from drydown.imaging.printer_profile import printer_profile, printer_tables

_INKS = InkSet(
    cyan=Ink((Band(640, 58, 1.5), Band(590, 36, 0.28), Band(410, 42, 0.13)), 0.025),
    magenta=Ink((Band(545, 34, 1.35), Band(510, 26, 0.45), Band(430, 40, 0.36)), 0.02),
    yellow=Ink((Band(430, 38, 1.5), Band(475, 18, 0.35)), 0.015),
    black=Ink((Band(470, 90, 0.12),), 1.6),
    light_cyan_strength=0.35,
    light_magenta_strength=0.35,
)


@cache
def pearl_model() -> SimulatedPrinter:
    """A bright, slightly blue pearl: deep black, wide gamut; R=G=B leans to orange by up to 9 in a*b*."""
    return SimulatedPrinter(
        inks=_INKS,
        paper=Paper(reflectance=0.885, blue_lift=0.075, yellowing=0.12, surface=0.0075, dot_gain=0.14, n=1.9),
        driver=Driver(sag=(0.35, 0.4, 0.72), black_limit=0.85, black_onset=3.2),
    )


@cache
def matte_model() -> SimulatedPrinter:
    """A natural matte: the coat swallows ink, dots spread more, and black is no deeper than L* 20."""
    return SimulatedPrinter(
        inks=_INKS,
        paper=Paper(
            reflectance=0.90,
            blue_lift=0.02,
            yellowing=0.06,
            surface=0.025,
            dot_gain=0.2,
            n=1.5,
            uptake=0.62,
        ),
        driver=Driver(sag=(0.55, 0.55, 0.8), black_limit=0.95, black_onset=3.2),
    )


@cache
def pearl_profile() -> bytes:
    """ICC profile of `pearl_model`; computed once, in about a second."""
    return printer_profile(pearl_model().lab, description="Simulated pearl, RGB inkjet")


@cache
def matte_profile() -> bytes:
    """ICC profile of `matte_model`."""
    return printer_profile(matte_model().lab, description="Simulated matte, RGB inkjet", matte=True)


def figures_table() -> str:
    """The figures of both papers, one a line."""
    started_s = time.perf_counter()
    columns = [measure(model.lab, printer_tables(model.lab)) for model in (pearl_model(), matte_model())]
    lines = [f"{'':18}{'pearl':>22}{'matte':>22}"]
    for field, *values in zip(fields(ProfileFigures), *map(astuple, columns), strict=True):
        lines.append(f"{field.name:18}" + "".join(f"{_shown(value):>22}" for value in values))
    return "\n".join([*lines, f"both computed and measured in {time.perf_counter() - started_s:.1f} s"])


def _shown(value: float | tuple[float, ...]) -> str:
    if isinstance(value, tuple):
        return " ".join(f"{part:.2f}" for part in value)
    return f"{value:.3f}"


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # colour-science says at import that it found no matplotlib
        sys.stdout.write(figures_table() + "\n")
