"""Moonrise over a headland with a light: deep shadows, blue night colour, and a picture made of layers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.land import Stand, headland, stack, stand
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, grid, random_for, smoothstep
from drydown.demo.scenes.water import Lamp, Sea, wind_waves

LOOK = Look(exposure=1.15, contrast=1.32, white=3.6, glow=0.05, falloff=0.32, grain=0.011)

UPPER_LOOK = replace(LOOK, glow=0.0)
"""For the layers above the first: the lens's glow is in the first one already."""

_MOON = (0.085, 0.42)
_RADIUS = 0.030

_SKY = (
    (0.00, (0.085, 0.105, 0.135)),
    (0.05, (0.060, 0.088, 0.130)),
    (0.16, (0.032, 0.058, 0.105)),
    (0.40, (0.013, 0.029, 0.066)),
    (0.90, (0.005, 0.013, 0.036)),
)


@dataclass(frozen=True)
class Layer:
    """One layer of the picture: a name, its light over the whole canvas, and its cover 0..1 (None = everywhere)."""

    name: str
    light: Light
    cover: Plane | None


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The layers laid over each other in linear light, shape (height, width, 3)."""
    below, *others = layers(width_px, height_px, seed)
    light = below.light.copy()
    for layer in others:
        if layer.cover is not None:
            light += layer.cover[..., None] * (layer.light - light)
    return light


def layers(width_px: int, height_px: int, seed: int) -> list[Layer]:
    """From the bottom up: night sky and sea, the land, the lighthouse with its glow."""
    view = View(width_px, height_px, focal_px=width_px * 1.05, horizon_px=round(height_px * 0.66), eye_m=5.5)
    horizon = int(view.horizon_px)
    light = np.empty((height_px, width_px, 3), np.float32)
    sky = _Night(seed)
    stars = _stars(horizon, width_px, seed)
    for top in range(0, horizon, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, horizon))
        light[rows] = sky.rows(view, rows, stars[rows])
    land = _land(light[:horizon], view, seed)
    tower = _lighthouse(view, land[1])
    with_land = light[:horizon] + land[1][..., None] * (land[0] - light[:horizon])
    with_land += tower[1][:horizon, :, None] * (tower[0][:horizon] - with_land)
    rng = random_for(seed, "waves")
    swell = wind_waves(
        rng, size=1024, period_m=190, longest_m=17, shortest_m=0.6, heading=0.25, spread=0.2, steepness=0.085
    )
    ripple = wind_waves(
        rng, size=1024, period_m=31, longest_m=2.2, shortest_m=0.1, heading=-0.4, spread=0.5, steepness=0.095
    )
    sea = Sea(
        view,
        with_land,
        (swell, ripple),
        (0.0035, 0.0075, 0.0125),
        Lamp(*_MOON, (0.95, 0.97, 0.92), 0.026, 0.0022),
    )
    for top in range(horizon, height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, height_px))
        light[rows] = sea.rows(rows)
    land_light, land_cover = np.zeros_like(light), np.zeros((height_px, width_px), np.float32)
    land_light[:horizon], land_cover[:horizon] = land
    return [
        Layer("night and sea", light, None),
        Layer("land", land_light, land_cover),
        Layer("light", *tower),
    ]


class _Night:
    def __init__(self, seed: int) -> None:
        self.cloud = BandedTile(fractal(random_for(seed, "cloud"), 512, slope=1.95, lowest=3, stretch=1.6))
        self.fine = BandedTile(fractal(random_for(seed, "fine"), 1024, slope=1.3, lowest=5))
        self.seas = Tile.of(fractal(random_for(seed, "moon"), 256, slope=1.7, lowest=2))
        self.curve = PchipInterpolator(np.array([s for s, _ in _SKY]), np.array([c for _, c in _SKY]))

    def rows(self, view: View, rows: Rows, stars: Light) -> Light:
        up, across = view.up(rows), view.across()
        base = self.curve(np.clip(up[:, 0], 0, 0.9)).astype(np.float32)
        light = np.repeat(base[:, None, :], view.width_px, axis=1)
        dx, dy = across - np.float32(_MOON[0]), up - np.float32(_MOON[1])
        away = np.hypot(dx, dy)
        halo = np.exp(away * np.float32(-4.2)) * np.float32(0.085) + np.exp(
            away * np.float32(-17)
        ) * np.float32(0.22)
        light += halo[..., None] * np.array([0.72, 0.86, 1.0], np.float32)
        light += stars * (np.exp(away * np.float32(-5)) * np.float32(-1.1) + 1).clip(0)[..., None]
        near = away < _RADIUS * 1.2
        if near.any():
            edge = np.clip((np.float32(_RADIUS) - away) * np.float32(view.focal_px) + np.float32(0.5), 0, 1)
            u, v = grid(dx * np.float32(7.5) + np.float32(0.31), dy * np.float32(7.5) + np.float32(0.62))
            mark = self.seas.at(u, v, float(7.5 / view.focal_px))
            fine = self.seas.at(u * np.float32(4.3), v * np.float32(4.3), float(32 / view.focal_px))
            tone = 1 - np.float32(0.42) * smoothstep(-0.2, 0.9, mark) + np.float32(0.07) * fine
            limb = np.sqrt(np.clip(1 - (away / np.float32(_RADIUS)) ** 2, 0.02, 1)) ** np.float32(0.35)
            disc = (tone * limb)[..., None] * np.array([2.5, 2.38, 2.12], np.float32)
            light += edge[..., None] * (disc - light)
        deck = View(view.width_px, view.height_px, view.focal_px, view.horizon_px, 3000.0)
        broad, _ = self.cloud.read(deck, rows, 26_000.0, (0.15, 0.40))
        fine_cloud, _ = self.fine.read(deck, rows, 8_000.0, (0.3, 0.6))
        body = broad + np.float32(0.30) * fine_cloud
        cover = smoothstep(0.10, 2.3, body) * smoothstep(0.005, 0.06, up)
        cover *= 1 - np.float32(0.80) * np.exp(-((away / np.float32(0.085)) ** 2))
        lit = np.exp(away * np.float32(-5.5))
        rim = smoothstep(0.0, 0.35, cover) * smoothstep(0.95, 0.3, cover)
        cloud = (lit * (np.float32(0.10) + np.float32(0.26) * rim))[..., None] * np.array(
            [0.78, 0.92, 1.06], np.float32
        )
        cloud += np.array([0.0085, 0.0150, 0.0265], np.float32)
        light += (cover * np.float32(0.85))[..., None] * (cloud - light)
        return light


def _stars(horizon: int, width: int, seed: int) -> Light:
    """Points of light a little wider than a pixel, many faint and few bright, fewer towards the horizon."""
    rng = random_for(seed, "stars")
    scale = max(0.5, width / 2000)
    sky = np.zeros((horizon, width, 3), np.float32)
    reach = int(2 * scale) + 1
    spread = np.arange(-reach, reach + 1)
    for _ in range(2600):
        x, y = rng.random() * width, rng.random() * horizon * 0.92
        bright = min(0.035 * (1 - rng.random()) ** -0.66, 1.6) * (1 - (y / horizon) ** 2)
        warm = rng.normal(0, 0.12)
        ix, iy = int(x), int(y)
        if not (reach <= ix < width - reach and reach <= iy < horizon - reach):
            continue
        dy, dx = (spread - (y - iy) + 0.5)[:, None], (spread - (x - ix) + 0.5)[None, :]
        spot = np.exp(-(dx * dx + dy * dy) / (2 * (0.75 * scale) ** 2)) * bright
        box = np.s_[iy - reach : iy + reach + 1, ix - reach : ix + reach + 1]
        sky[box] += spot[..., None].astype(np.float32) * np.array([1 + warm, 1.0, 1.04 - warm], np.float32)
    return sky


def _land(upper: Light, view: View, seed: int) -> tuple[Light, Plane]:
    """Light and cover of the headlands and stacks."""
    across = view.across()[0]
    rng = random_for(seed, "rock")
    texture = fractal(rng, 1024, slope=1.3, lowest=6)
    tall = int(view.focal_px * 0.26) + 4
    reach = np.arange(tall, dtype=np.float32)[:, None] * np.float32(2600 / view.width_px / 1024)
    columns = np.arange(view.width_px, dtype=np.float32)[None, :] * np.float32(2600 / view.width_px / 1024)
    rough = Tile.of(texture).at(*grid(columns * np.float32(1.4), reach))
    light, cover = upper.copy(), np.zeros(upper.shape[:2], np.float32)
    air = upper[-max(4, upper.shape[0] // 30) :].mean(axis=0)
    air = ndimage.gaussian_filter1d(air, view.width_px * 0.05, axis=0, mode="nearest")
    rock = (0.0075, 0.0100, 0.0135)
    outlines = (
        ("far", headland, {"start": 0.30, "reach": -0.75, "height": 0.045}, 0.62, 0.22),
        ("point", headland, {"start": 0.06, "reach": -0.42, "height": 0.120}, 0.10, 0.25),
        ("stack", stack, {"centre": 0.235, "width": 0.085, "height": 0.080}, 0.10, 0.20),
    )
    for name, shape, size, haze, mist in outlines:
        top = shape(across, random_for(seed, name), **size)
        one = np.zeros_like(light)
        mask = one.copy()
        # Painted once in white to learn the cover, once in colour over what stands behind.
        stand(mask, view, Stand(top, (1.0, 1.0, 1.0), 0.0), np.ones_like(air))
        stand(light, view, Stand(top, rock, haze, mist), air, rough)
        np.maximum(cover, mask[..., 0], out=cover)
    return light, cover


def _lighthouse(view: View, land_cover: Plane) -> tuple[Light, Plane]:
    """A pale tower on the point, its lamp and the lamp's glow, over the whole canvas."""
    light = np.zeros((view.height_px, view.width_px, 3), np.float32)
    cover = np.zeros((view.height_px, view.width_px), np.float32)
    horizon, f = int(view.horizon_px), view.focal_px
    x = (view.width_px - 1) / 2 - 0.175 * f
    column = land_cover[:, int(x)]
    ground = float(np.argmax(column > 0.5)) if (column > 0.5).any() else float(horizon)
    tall, half = 0.082 * f, 0.0105 * f
    foot = ground + 0.006 * f
    reach = int(0.30 * f)
    y0, y1 = max(int(foot - tall * 1.35) - reach, 0), min(int(foot) + reach, view.height_px)
    x0, x1 = max(int(x) - reach, 0), min(int(x) + reach, view.width_px)
    rows = (np.arange(y0, y1, dtype=np.float32) + np.float32(0.5))[:, None]
    across = (np.arange(x0, x1, dtype=np.float32) + np.float32(0.5))[None, :] - np.float32(x)
    z = (np.float32(foot) - rows) / np.float32(tall)
    width = np.float32(half) * (1 - np.float32(0.36) * np.clip(z, 0, 1))
    gallery = np.exp(-(((z - 1.0) / 0.018) ** 4)) * np.float32(half * 0.28)
    width = np.where(z > 1.01, np.float32(half * 0.50), width + gallery)
    roof = np.clip(1 - (z - np.float32(1.14)) / np.float32(0.085), 0, 1)
    width = np.where(z > 1.14, np.float32(half * 0.56) * roof, width)
    tower = np.clip(width - np.abs(across) + np.float32(0.5), 0, 1) * np.clip(
        (z * np.float32(tall)) + np.float32(0.5), 0, 1
    )
    side = np.clip(across / np.maximum(width, 1), -1, 1)
    tone = np.float32(0.042) + np.float32(0.16) * np.clip(np.float32(0.25) + side * np.float32(0.8), 0, 1)
    band = smoothstep(0.40, 0.405, z) * smoothstep(0.62, 0.615, z)
    colour = tone[..., None] * np.array([0.88, 0.95, 1.0], np.float32)
    red = tone[..., None] * np.array([0.55, 0.12, 0.10], np.float32)
    colour += band[..., None] * (red - colour)
    lantern = smoothstep(1.015, 1.022, z) * smoothstep(1.142, 1.135, z)
    colour += lantern[..., None] * (np.array([3.4, 2.3, 1.05], np.float32) - colour)
    dark_roof = smoothstep(1.135, 1.142, z)
    colour += dark_roof[..., None] * (np.array([0.010, 0.012, 0.015], np.float32) - colour)
    lamp = np.hypot(across, rows - np.float32(foot - tall * 1.08)) / np.float32(f)
    glow = np.float32(0.62) * np.exp(lamp * np.float32(-70)) + np.float32(0.16) * np.exp(
        lamp * np.float32(-17)
    )
    glow *= smoothstep(0.30, 0.18, lamp) * (1 - tower)
    warm = np.array([1.25, 0.82, 0.36], np.float32)
    total = tower + glow
    light[y0:y1, x0:x1] = (tower[..., None] * colour + glow[..., None] * warm) / np.maximum(total, 1e-4)[
        ..., None
    ]
    cover[y0:y1, x0:x1] = np.clip(total, 0, 1)
    return light, cover
