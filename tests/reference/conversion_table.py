"""How far a converted picture is from the exact conversion, and what other ways cost: `VIPS_CONCURRENCY=1 OPENBLAS_NUM_THREADS=1 python -m tests.reference.conversion_table [--short]` prints the table.

ΔE00 of the printed colour against LittleCMS' exact path (flag 0x0100), media-relative with black point compensation. "CPU" is the median ratio of processor time to the
product's own conversion of the demonstration's picture, 12 megapixels, in turns; what a way works out once for a pair of profiles is timed apart. Four minutes with `--short`, which leaves
the other ways to one paper.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
import pyvips
from tests.reference.conversion_ways import (
    Codes,
    Floats,
    Pair,
    Run,
    default,
    exact,
    fitted,
    littlecms,
    moved,
    own,
    split,
)

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.demo.pictures import make_pictures
from drydown.imaging.convert import device_to_lab, lab_to_device
from drydown.imaging.difference import ciede2000
from drydown.imaging.working import oprgb, romm_to_light, srgb, srgb_to_light, wide_gamut

RANDOM = 200_000
IN_GAMUT = 50_000
PICTURE = 100_000
TIMED = 12_000_000
TURNS = 5
HIGH_RESOLUTION = 0x0400
PAPERS = {"pearl": pearl_profile, "matte": matte_profile}
SOURCES = {
    "sRGB": (srgb, srgb_to_light),
    "opRGB": (oprgb, lambda encoded: encoded ** (563 / 256)),
    "ROMM RGB": (wide_gamut, romm_to_light),
}
WAYS: dict[str, Callable[[Pair], Run]] = {
    "LittleCMS directly": littlecms,
    "grid of 49 by flag 0x0400, directly": partial(littlecms, flags=HIGH_RESOLUTION),
    "grid of 65 by flag, directly": partial(littlecms, flags=65 << 16),
    "grid of 81 by flag, directly": partial(littlecms, flags=81 << 16),
    "square root of light before": partial(own, curve=2.0),
    "cube root of light before, near L*": partial(own, curve=3.0),
    "own grid of 33, nodes moved": partial(own, nodes=moved),
    "own grid of 33, nodes fitted": partial(own, nodes=fitted),
    "the same behind the square root": partial(own, curve=2.0, nodes=fitted),
    "the same behind the cube root": partial(own, curve=3.0, nodes=fitted),
    "own grid of 33, not baked": partial(own, baked=False),
    "own grid of 65, not baked": partial(own, points=65, baked=False),
    "own grid of 81, not baked": partial(own, points=81, baked=False),
    "import to Lab, export": partial(split, pcs="lab"),
    "import to XYZ, export": partial(split, pcs="xyz"),
    "exact, flag 0x0100": exact,
}


@dataclass(frozen=True)
class Errors:
    """ΔE00: random codes (mean, 95th, 99th percentile, maximum), 99th percentiles of others, the worst grey, and how sharply a grey ramp bends (L*)."""

    random: tuple[float, float, float, float]
    in_gamut: float
    picture: float
    greys: float
    bend: float

    def cells(self) -> str:
        mean, p95, p99, most = self.random
        return f"{mean:.3f} | {p95:.3f} | {p99:.3f} | {most:.2f} | {self.in_gamut:.3f} | {self.picture:.3f} | {self.greys:.3f} | {self.bend:.2f}"


@cache
def pair(source: str, paper: str) -> Pair:
    """The same pair is the same object, so that what is known of it is worked out once."""
    icc, to_light = SOURCES[source]
    return Pair(icc(), to_light, PAPERS[paper]())


def judged(given: Pair, run: Run) -> Errors:
    """One way on one pair."""
    away = {
        name: ciede2000(right, device_to_lab(given.paper, run(codes) / 65535))
        for name, (codes, right) in _asked(given).items()
    }
    chance = away["random"]
    ramp = device_to_lab(given.paper, run(_greys(1000))[::4] / 65535)[:, 0]
    return Errors(
        (float(chance.mean()), _share(chance, 95), _share(chance, 99), float(chance.max())),
        _share(away["in gamut"], 99),
        _share(away["picture"], 99),
        float(away["greys"].max()),
        float(np.abs(np.diff(ramp, 2)).max()),
    )


@cache
def _asked(given: Pair) -> dict[str, tuple[Codes, Floats]]:
    """By name the codes that a way is judged on, and the Lab that the exact conversion prints for them."""
    asked = {
        "random": random_codes(),
        "in gamut": _in_gamut(given),
        "picture": _picture(given),
        "greys": _greys(21_000),
    }
    right = exact(given)
    return {name: (codes, device_to_lab(given.paper, right(codes) / 65535)) for name, codes in asked.items()}


def _share(away: Floats, percent: int) -> float:
    return float(np.percentile(away, percent))


@cache
def random_codes() -> Codes:
    return np.random.default_rng(7).integers(0, 65536, (RANDOM, 3)).astype(np.uint16)


def cost(given: Pair, way: Run) -> float:
    """Processor time of a way as a multiple of the product's."""
    picture = _picture(given)
    pixels = np.tile(picture, (TIMED // len(picture), 1))
    plain = default(given)
    return float(np.median([_cpu_s(way, pixels) / _cpu_s(plain, pixels) for _ in range(TURNS)]))


def _cpu_s(run: Run, pixels: Codes) -> float:
    begun = time.process_time()
    run(pixels)
    return time.process_time() - begun


def _greys(count: int) -> Codes:
    return np.linspace(0, 65535, count).round().astype(np.uint16)[:, None].repeat(3, axis=1)


def _in_gamut(given: Pair) -> Codes:
    """Codes of colours that the paper holds, those outside the source's space at its edge."""
    Lab = device_to_lab(given.paper, np.random.default_rng(5).random((IN_GAMUT, 3)))
    return np.rint(np.clip(lab_to_device(given.source, Lab), 0, 1) * 65535).astype(np.uint16)


def _picture(given: Pair) -> Codes:
    """Pixels of a picture of the demonstration: the one in ROMM RGB for that, for the others one in sRGB carried over exactly."""
    if given.source == wide_gamut():
        return _pixels("01-evening-tide.tif")
    codes = _pixels("08-surf-from-above.tif")
    return codes if given.source == srgb() else exact(Pair(srgb(), srgb_to_light, given.source))(codes)


@cache
def _pixels(name: str) -> Codes:
    with tempfile.TemporaryDirectory() as folder:
        (file,) = make_pictures(Path(folder), scale=0.25, only=[name])
        image = pyvips.Image.new_from_file(str(file))
        values = np.frombuffer(image.write_to_memory(), np.uint16 if image.format == "ushort" else np.uint8)
    codes = values.reshape(-1, 3)[: values.size // 3 // 1000 * 1000].astype(np.uint16)
    if values.dtype == np.uint8:
        codes = codes * 257
    row = np.linspace(0, len(codes) - 1, PICTURE).astype(int)
    return np.ascontiguousarray(codes[row])


def main(arguments: list[str]) -> int:
    print(
        "| source, paper | way | CPU | once | mean | 95th | 99th | max | in gamut 99th | picture 99th | greys max | ramp bends |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    for paper in PAPERS:
        for source in SOURCES:
            given = pair(source, paper)
            print(
                f"| {source}, {paper} | libvips default | 1 | | {judged(given, default(given)).cells()} |",
                flush=True,
            )
    for paper in ("pearl",) if "--short" in arguments else PAPERS:
        given = pair("ROMM RGB", paper)
        for name, way in WAYS.items():
            begun = time.process_time()
            run = way(given)
            once = time.process_time() - begun
            print(
                f"| ROMM RGB, {paper} | {name} | {cost(given, run):.2f} | {once:.2f} s | {judged(given, run).cells()} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
