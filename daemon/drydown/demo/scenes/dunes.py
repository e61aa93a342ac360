"""Dunes in late light: warm neutrals, long smooth gradients and sand ripples down to the grain."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, grid, random_for, smoothstep
from drydown.demo.scenes.terrain import Hits, trace

LOOK = Look(exposure=1.0, contrast=1.42, white=3.4, glow=0.035, falloff=0.30, grain=0.010)

_SUN = np.array([-0.86, 0.40, 0.26], np.float32) / np.float32(np.sqrt(0.86**2 + 0.40**2 + 0.26**2))
"""Right, along the view, up."""

_CREST = 0.0945
_BEND_AT = (0.91, 1.547)
"""Where the photographer stands: the phase of the near dune, and the place in the tile that bends the crests."""
_EYE_M = 4.6
"""Above the highest sand near the feet: from a slope one sees over one's own dune."""


class _Ground:
    def __init__(self, seed: int) -> None:
        self.veil = BandedTile(fractal(random_for(seed, "veil"), 1024, slope=1.75, lowest=2, stretch=0.22))
        self.bend = Tile.of(fractal(random_for(seed, "bend"), 512, slope=2.3, lowest=2, highest=24))
        self.slide = Tile.of(fractal(random_for(seed, "slide"), 512, slope=1.2, lowest=3))
        self.rough = Tile.of(fractal(random_for(seed, "rough"), 512, slope=1.1, lowest=4))
        self.ripple = Tile.of(fractal(random_for(seed, "ripple"), 512, slope=1.9, lowest=3, highest=60))

    def height(self, x: Plane, y: Plane) -> Plane:
        """Metres of sand: two families of dunes that run out on a level shore."""
        right, along = np.float32(_BEND_AT[0]), np.float32(_BEND_AT[1])
        bend = self.bend.at(x * np.float32(1 / 520) + right, y * np.float32(1 / 520) + along)
        phase = (x * np.float32(0.93) + y * np.float32(0.10)) * np.float32(1 / 120)
        big = _profile(phase + bend * np.float32(0.30) + np.float32(_CREST))
        phase = (x * np.float32(0.55) + y * np.float32(0.83)) * np.float32(1 / 43)
        small = _profile(phase + bend * np.float32(0.75) + np.float32(0.15))
        lift = np.float32(17) + np.float32(5.0) * bend
        far = np.float32(0.45) + np.float32(0.55) * smoothstep(0, 90, y)
        shore = 1 - smoothstep(230, 400, y)
        out: Plane = (big * lift * far + small * np.float32(1.1)) * shore
        return out

    def ripples(self, x: Plane, y: Plane, footprint_m: Plane) -> tuple[Plane, Plane]:
        """Slopes of the wind's small ripples, faded out where a pixel covers more than half of one."""
        bend = self.ripple.at(x * np.float32(1 / 9.0), y * np.float32(1 / 9.0))
        slow = self.ripple.at(x * np.float32(1 / 61.0), y * np.float32(1 / 61.0))
        phase = (
            (x * np.float32(0.93) + y * np.float32(0.36)) * np.float32(2 * np.pi / 0.115)
            + bend * np.float32(3.2)
            + slow * np.float32(9)
        )
        fade = np.clip(np.float32(1.5) - footprint_m * np.float32(1 / 0.032), 0, 1)
        wave = np.cos(phase) + np.float32(0.35) * np.cos(2 * phase + np.float32(0.9))
        wave *= fade * np.float32(0.20) * np.clip(np.float32(0.75) + np.float32(0.35) * slow, 0.15, 1.2)
        return wave * np.float32(0.93), wave * np.float32(0.36)


def _profile(phase: Plane) -> Plane:
    """One dune: a long windward rise to a crest at 0.72, a short slip face, a hollow."""
    t = phase - np.floor(phase)
    up = np.clip(t * np.float32(1 / 0.70), 0, 1)
    rise = up * up * (np.float32(1.9) - np.float32(0.9) * up)
    fall = 1 - smoothstep(0.63, 1.0, t)
    # The smaller of the two, rounded where they cross: a crest of sand is never a knife's edge.
    soft = np.float32(0.030)
    apart = rise - fall * np.float32(1.12)
    out: Plane = np.float32(0.5) * (rise + fall * np.float32(1.12) - np.sqrt(apart * apart + soft * soft))
    return out


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    ground = _Ground(seed)
    away = np.linspace(0, 14, 30, dtype=np.float32)[:, None]
    aside, away = grid(away * np.linspace(-0.5, 0.5, 9, dtype=np.float32)[None, :], away)
    eye_m = float(ground.height(aside, away).max()) + _EYE_M
    view = View(width_px, height_px, focal_px=width_px * 1.25, horizon_px=height_px * 0.36, eye_m=eye_m)
    steps = max(300, round(height_px * 0.55))
    hits = trace(view, ground.height, nearest_m=2.5, farthest_m=2500.0, steps=steps)
    shadow = _Shadow(ground, 1024)
    light = np.empty((height_px, width_px, 3), np.float32)
    for top in range(0, height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, height_px))
        sky = _sky(view, ground, rows)
        cover = hits.cover(rows)
        if cover.max() > 0:
            sand = _sand(view, hits, ground, shadow, rows)
            sky += cover[..., None] * (sand - sky)
        light[rows[0] : rows[-1] + 1] = sky
    return light


def _sky(view: View, ground: _Ground, rows: Rows) -> Light:
    up = np.maximum(view.up(rows), 0)
    across = view.across()
    high = 1 - np.exp(up * np.float32(-3.4))
    low = np.array([1.15, 0.86, 0.62], np.float32)
    top = np.array([0.20, 0.36, 0.62], np.float32)
    light = low + high[..., None] * (top - low)
    warm = np.exp(-(across + np.float32(0.42)) * np.float32(2.2) - up * np.float32(3))
    light = light + warm[..., None] * np.array([0.30, 0.19, 0.09], np.float32)
    if rows[-1] < view.horizon_px:
        deck = View(view.width_px, view.height_px, view.focal_px, view.horizon_px, 9000.0)
        broad, _ = ground.veil.read(deck, rows, 52_000.0, (0.2, 0.1))
        fine, _ = ground.veil.read(deck, rows, 9_100.0, (0.6, 0.4))
        wisp = smoothstep(0.5, 3.0, broad + np.float32(0.30) * fine) * (1 - np.exp(up * np.float32(-14)))
        light += (wisp * np.float32(0.75))[..., None] * (np.array([1.9, 1.70, 1.5], np.float32) - light)
    out: Light = light
    return out


class _Shadow:
    """How far (m) the ground lies below the line of light, positive in shadow, on a map turned towards the sun.

    Along a line of light, ground u metres from the sun's side is dark where an earlier point stands higher than it by
    more than the light falls on the way: one running maximum a line.
    """

    def __init__(self, ground: _Ground, size: int) -> None:
        flat = float(np.hypot(_SUN[0], _SUN[1]))
        self.right, self.ahead = -_SUN[0] / flat, -_SUN[1] / flat
        self.u0, self.v0, self.step = -330.0, -260.0, 680.0 / size
        u = (self.u0 + self.step * np.arange(size, dtype=np.float32))[:, None]
        v = (self.v0 + self.step * np.arange(size, dtype=np.float32))[None, :]
        line = ground.height(u * self.right - v * self.ahead, u * self.ahead + v * self.right)
        line += u * np.float32(_SUN[2] / flat)
        skip = max(1, round(1.4 / self.step))
        before = np.maximum.accumulate(line, axis=0)
        self.margin = np.full_like(line, -3)
        self.margin[skip:] = before[:-skip] - line[skip:]

    def at(self, x: Plane, y: Plane) -> Plane:
        u = (x * self.right + y * self.ahead - np.float32(self.u0)) * np.float32(1 / self.step)
        v = (y * self.right - x * self.ahead - np.float32(self.v0)) * np.float32(1 / self.step)
        out: Plane = ndimage.map_coordinates(self.margin, [u, v], order=1, mode="nearest")
        return out


def _sand(view: View, hits: Hits, ground: _Ground, shadow: _Shadow, rows: Rows) -> Light:
    y = hits.along_m(rows)
    x = view.across() * y
    footprint = y * np.float32(1 / view.focal_px)
    reach = np.maximum(footprint * np.float32(1.5), np.float32(0.12))
    z = ground.height(x, y)
    slope_x = (ground.height(x + reach, y) - z) / reach
    slope_y = (ground.height(x, y + reach) - z) / reach
    ripple_x, ripple_y = ground.ripples(x, y, footprint)
    gentle = smoothstep(0.60, 0.42, np.hypot(slope_x, slope_y))
    rough = ground.rough.at(
        x * np.float32(1 / 0.9), y * np.float32(1 / 0.9), np.median(footprint, axis=1) / np.float32(0.9)
    )
    nx = -(slope_x + ripple_x * gentle)
    ny = -(slope_y + ripple_y * gentle)
    norm = 1 / np.sqrt(1 + nx * nx + ny * ny)
    facing = (nx * _SUN[0] + ny * _SUN[1] + _SUN[2]) * norm
    margin = shadow.at(x, y)
    open_sun = smoothstep(0.10, -0.06, margin)
    direct = np.clip(facing, 0, 1) * open_sun
    sky = np.float32(0.55) + np.float32(0.45) * norm + np.float32(0.12) * nx * norm
    light = direct[..., None] * np.array([3.7, 2.55, 1.50], np.float32)
    slide = ground.slide.at(
        x * np.float32(1 / 7.0), y * np.float32(1 / 41.0), np.median(footprint, axis=1) / np.float32(7.0)
    )
    sky *= 1 + np.float32(0.055) * slide * (1 - gentle)
    light += sky[..., None] * np.array([0.20, 0.265, 0.40], np.float32)
    # Lit sand lights the shadow from the right and from below.
    bounce = np.clip(np.float32(0.35) + np.float32(0.65) * nx * norm, 0, 1) * (1 - open_sun * np.float32(0.7))
    light += bounce[..., None] * np.array([0.30, 0.19, 0.105], np.float32)
    tone = 1 + np.float32(0.06) * rough
    light *= tone[..., None] * np.array([0.66, 0.475, 0.33], np.float32)
    wet = smoothstep(405, 440, y)[..., None]
    light += wet * (np.array([0.40, 0.44, 0.46], np.float32) - light)
    air = 1 - np.exp(y * np.float32(-1 / 1500))
    out: Light = light + air[..., None] * (np.array([0.95, 0.78, 0.64], np.float32) - light)
    return out
