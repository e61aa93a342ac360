"""Wooded islands in morning mist over still water: the portfolio's picture in grey, one channel of linear light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.land import line_noise, read_line
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, random_for, smoothstep
from drydown.demo.scenes.terrain import Hits, trace
from drydown.demo.scenes.woods import wooded_slope

LOOK = Look(exposure=1.15, contrast=1.45, white=1.7, glow=0.06, falloff=0.35, grain=0.014)


@dataclass(frozen=True)
class _Hill:
    """`distance_m` from the eye; `centre` and `half` as tangents across; `high_m` above the sea; `flat` 0 is a dome."""

    distance_m: float
    centre: float
    half: float
    high_m: float
    flat: float


_HILLS = (
    _Hill(5200, 0.30, 0.50, 560, 0.2),
    _Hill(3300, -0.38, 0.36, 400, 0.1),
    _Hill(1900, 0.44, 0.30, 250, 0.2),
    _Hill(1050, -0.50, 0.34, 96, 0.4),
    _Hill(620, 0.10, 0.085, 17, 0.3),
    _Hill(420, 0.48, 0.24, 33, 0.5),
    _Hill(185, -0.44, 0.24, 9.5, 0.7),
)
"""From the back to the front."""

_ROCKS = (
    (5.2, 30.0, 3.6, 1.35),
    (9.0, 34.5, 2.4, 0.8),
    (-1.5, 41.0, 1.5, 0.55),
    (11.5, 47.0, 2.6, 0.7),
    (-16.0, 66.0, 2.8, 0.8),
)
"""Right m, along m, radius m, height m."""


_PATCH_PX = 240
"""Rocks are shaded in patches of this width, and only where there are some."""


class _Rocks:
    def __init__(self, seed: int) -> None:
        self.rock = Tile.of(fractal(random_for(seed, "rock"), 512, slope=1.75, lowest=3))
        self.fine = Tile.of(fractal(random_for(seed, "fine"), 512, slope=1.05, lowest=4))

    def height(self, x: Plane, y: Plane) -> Plane:
        """Rock above the level sea, which is 0."""
        rough = self.rock.at(x * np.float32(1 / 23), y * np.float32(1 / 23))
        small = self.rock.at(x * np.float32(1 / 6.1), y * np.float32(1 / 6.1))
        best = np.full(np.broadcast(x, y).shape, -1, np.float32)
        for right, along, radius, high in _ROCKS:
            away = (
                (x - np.float32(right)) ** 2 + (y - np.float32(along)) ** 2 * np.float32(0.6)
            ) / np.float32(radius**2)
            shape = np.exp(-away) - np.float32(0.40) + np.float32(0.17) * rough
            best = np.maximum(best, shape * np.float32(high * 1.5))
        # Rock breaks along bedding: heights gather on sloping steps.
        bed = best * np.float32(5.2) + np.float32(0.35) * x + np.float32(0.45) * rough
        best += (np.floor(bed) + smoothstep(0.15, 0.85, bed - np.floor(bed)) - bed) * np.float32(0.15)
        return np.maximum(best + small * np.float32(0.055), 0) * smoothstep(76, 62, y)


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 1)."""
    view = View(width_px, height_px, focal_px=width_px * 1.15, horizon_px=round(height_px * 0.56), eye_m=4.0)
    light = np.empty((height_px, width_px, 1), np.float32)
    grey = light[:, :, 0]
    horizon = int(view.horizon_px)
    every = np.arange(horizon)
    grey[:horizon] = _air(view, every)
    for number, hill in enumerate(_HILLS):
        _stand_hill(grey[:horizon], view, hill, random_for(seed, f"hill {number}"))
    _water(grey, view, horizon, seed)
    _lay_rocks(grey, view, _Rocks(seed), horizon)
    return light


def _air(view: View, rows: Rows) -> Plane:
    up, across = np.maximum(view.up(rows), np.float32(-0.02)), view.across()
    glow = np.exp(
        -((across + np.float32(0.12)) ** 2) * np.float32(9) - (up - np.float32(0.10)) ** 2 * np.float32(32)
    )
    air = np.float32(0.30) + np.float32(0.50) * glow + np.float32(0.16) * np.exp(up * np.float32(-9))
    return np.asarray(air, np.float32)


def _stand_hill(upper: Plane, view: View, hill: _Hill, rng: np.random.Generator) -> None:
    """Draw one hill and the mist before it over `upper`, in place."""
    horizon, width = upper.shape
    across = view.across()[0]
    t = (across - hill.centre) / hill.half
    broad = read_line(line_noise(rng, 4096, slope=1.8, lowest=2), across * np.float32(0.55) + np.float32(0.5))
    crag = read_line(line_noise(rng, 4096, slope=1.3, lowest=30), across * np.float32(0.55) + np.float32(0.5))
    dome = np.clip(1 - np.abs(t) ** (2 + 4 * hill.flat), 0, 1) ** 0.8
    metres = dome * hill.high_m * np.clip(1 + 0.26 * broad + 0.03 * crag, 0.1, None)
    per_metre = view.focal_px / hill.distance_m
    tree, shore = 15.0 * per_metre, 0.9 * per_metre
    tall = int(metres.max() * per_metre + tree * 1.3) + 4
    top = max(horizon - tall, 0)
    ridge = np.where(dome > 0, horizon - metres * per_metre, horizon + 1.0).astype(np.float32)
    cover, tone = wooded_slope(
        rng, width, horizon - top, ridge=ridge - top, foot=float(horizon - top), tree=tree, shore=shore
    )
    rows = np.arange(top, horizon)
    z = np.maximum((horizon - rows.astype(np.float32)[:, None]) / np.float32(per_metre), np.float32(0.3))
    bare = smoothstep(1.3, 0.6, z)
    pick = rng.standard_normal((rows.size, width), dtype=np.float32)
    speck = ndimage.uniform_filter(pick, (max(1, round(per_metre * 0.1)), max(1, round(per_metre * 0.5))))
    ground = np.float32(0.045) * tone * (1 - bare) + bare * np.float32(0.085) * np.exp(
        speck * np.float32(1.2)
    )
    # Mist thins with height (scale 30 m): its mean along the level ray in closed form, plus an even haze.
    bank = read_line(line_noise(rng, 1024, slope=1.8, lowest=1), across * np.float32(0.4))[None, :]
    scale = np.float32(24) * np.exp(np.float32(0.35) * bank)
    mean = (1 - np.exp(-z / scale)) * scale / z
    depth = np.float32(hill.distance_m) * (mean / np.float32(650) + np.float32(1 / 3600))
    air = upper[top:] * 0 + _air(view, rows)
    veiled = air + np.exp(-depth) * (ground - air)
    upper[top:] += cover * (veiled - upper[top:])


def _water(light: Plane, view: View, horizon: int, seed: int) -> None:
    """Still water: the picture above turned over, drawn out downwards, dimmed near the eye; changes `light` in place."""
    upper = light[:horizon]
    swell = BandedTile(fractal(random_for(seed, "swell"), 512, slope=1.6, lowest=3, stretch=0.22))
    mirror = ndimage.gaussian_filter(upper[::-1], (view.height_px * 0.0030, view.height_px * 0.0006))
    far = ndimage.gaussian_filter1d(mirror, view.height_px * 0.010, axis=0)
    mirror += np.float32(0.4) * (far - mirror)
    column = np.arange(view.width_px)[None, :]
    for top in range(horizon, view.height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, view.height_px))
        lift, _ = swell.read(view, rows, 170.0)
        fine, _ = swell.read(view, rows, 23.0, (0.4, 0.2))
        below = (rows - horizon).astype(np.float32)[:, None]
        at = np.clip(
            below + (lift + np.float32(0.5) * fine) * np.float32(view.height_px * 0.0038), 0, horizon - 1.001
        )
        index = at.astype(np.intp)
        shown = mirror[index, column]
        shown += (at - index) * (mirror[np.minimum(index + 1, horizon - 1), column] - shown)
        down = -view.up(rows)
        keep = np.float32(0.93) * np.exp(down * np.float32(-1.9))
        sheet = shown * keep + np.float32(0.014) + np.float32(0.006) * lift
        mist = np.exp(np.float32(-view.eye_m / 700) / np.maximum(down, np.float32(1e-4)))
        light[rows] = sheet * mist + (1 - mist) * _air(view, rows)


def _lay_rocks(light: Plane, view: View, rocks: _Rocks, horizon: int) -> None:
    hits = trace(
        view, rocks.height, nearest_m=9.0, farthest_m=90.0, steps=max(200, round(view.height_px * 0.4))
    )
    first = max(horizon + 1, int(horizon - float(hits.crest.max()) * view.focal_px) - 1)
    first = min(first, view.height_px - 1)
    shade = _Mirrored(rocks, view, hits, first)
    for top in range(first, view.height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, view.height_px))
        y = hits.along_m(rows)
        x = view.across() * y
        z = rocks.height(x, y)
        strip = light[rows] * (1 - np.float32(0.88) * shade.rows(rows))
        for left in range(0, view.width_px, _PATCH_PX):
            part = np.s_[:, left : left + _PATCH_PX]
            if z[part].max() > 0.005:
                rock = _rock(rocks, view, x[part], y[part], z[part])
                strip[part] += smoothstep(0.006, 0.03, z[part]) * (rock - strip[part])
        light[rows] = strip


def _rock(rocks: _Rocks, view: View, x: Plane, y: Plane, z: Plane) -> Plane:
    footprint = np.median(y, axis=1) / np.float32(view.focal_px)
    step = np.float32(0.02)
    right = (rocks.height(x + step, y) - z) / step
    away = (rocks.height(x, y + step) - z) / step
    fine = rocks.fine.at(
        x * np.float32(1 / 2.1), (y + np.float32(1.3) * z) * np.float32(1 / 2.1), footprint / np.float32(2.1)
    )
    grit = rocks.fine.at(
        x * np.float32(1 / 0.55),
        (y + np.float32(1.3) * z) * np.float32(1 / 0.55),
        footprint / np.float32(0.55),
    )
    bump = fine * np.float32(0.30) + grit * np.float32(0.16)
    norm = 1 / np.sqrt(1 + right * right + away * away)
    facing = np.clip(
        (np.float32(0.45) * (right + bump) + np.float32(0.35) * away + np.float32(0.70)) * norm, 0, 1.4
    )
    wet = smoothstep(0.42, 0.10, z + np.float32(0.05) * fine)
    albedo = (
        np.float32(0.105)
        * np.exp(np.float32(0.22) * fine + np.float32(0.20) * grit)
        * (1 - np.float32(0.72) * wet)
    )
    shine = wet * np.clip(norm - np.float32(0.72), 0, 1) * np.float32(0.22) * np.exp(np.float32(0.6) * grit)
    out: Plane = albedo * facing * np.float32(0.85) + shine
    return out


class _Mirrored:
    """How much of each water pixel shows a rock upside down, found by following every third ray upwards."""

    def __init__(self, rocks: _Rocks, view: View, hits: Hits, first: int) -> None:
        self.first, self.width = first, view.width_px
        middles = np.arange(first + 1, view.height_px, 3)
        down = -view.up(middles)
        y = np.concatenate([hits.along_m(middles[n : n + 1])[:, 1::3] for n in range(middles.size)])
        x = view.across()[:, 1::3] * y
        hidden = np.zeros_like(y)
        for distance in np.geomspace(0.12, 9.0, 16):
            reach = np.float32(distance)
            over = rocks.height(x * (1 + reach / y), y + reach) - reach * down
            np.maximum(hidden, smoothstep(0.0, 0.07, over), out=hidden)
        self.hidden = ndimage.gaussian_filter(hidden, (1.6, 0.7))

    def rows(self, rows: Rows) -> Plane:
        """The part hidden, 0..1, at full size."""
        down = (rows - self.first - 1).astype(np.float32)[:, None] / 3
        across = (np.arange(self.width, dtype=np.float32)[None, :] - 1) / 3
        where = np.broadcast_arrays(down, across)
        out: Plane = ndimage.map_coordinates(self.hidden, where, order=1, mode="nearest")
        return out
