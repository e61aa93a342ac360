"""A beach straight from above: sand, lace of foam, water from clear to deep; the highlights and the clean saturated blue-greens."""

from __future__ import annotations

import numpy as np

from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, random_for, smoothstep

LOOK = Look(exposure=1.0, contrast=1.30, white=2.3, glow=0.03, falloff=0.20, grain=0.008)

_DRY = np.array([0.62, 0.50, 0.37], np.float32)
_WET = np.array([0.285, 0.215, 0.150], np.float32)
_ABSORB = np.array([0.62, 0.115, 0.055], np.float32)
"""Light lost a metre of water, red first."""
_DEEP = np.array([0.006, 0.085, 0.125], np.float32)


class _Beach:
    def __init__(self, seed: int) -> None:
        def tile(name: str, size: int, slope: float, lowest: float, **more: float) -> Tile:
            return Tile.of(fractal(random_for(seed, name), size, slope=slope, lowest=lowest, **more))

        self.broad = tile("broad", 256, 2.2, 1)
        self.lace = tile("lace", 1024, 1.75, 6, highest=120.0)
        self.bubble = tile("bubble", 1024, 1.2, 12)
        self.sand = tile("sand", 1024, 0.65, 6, highest=420.0)
        self.wave = tile("wave", 1024, 1.7, 7, stretch=3.0)
        self.chop = tile("chop", 1024, 1.8, 5, stretch=0.55)


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3); sea at the top, 60 m of beach across."""
    beach = _Beach(seed)
    metre = width_px / 60
    light = np.empty((height_px, width_px, 3), np.float32)
    for top in range(0, height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, height_px))
        x = np.broadcast_to(
            (np.arange(width_px, dtype=np.float32) / np.float32(metre))[None, :], (rows.size, width_px)
        )
        y = np.broadcast_to((rows.astype(np.float32) / np.float32(metre))[:, None], x.shape)
        light[rows] = _ground(beach, x, y, 1 / metre, height_px / metre)
    _walk(light, metre, random_for(seed, "walk"))
    return light


def _walk(light: Light, metre: float, rng: np.random.Generator) -> None:
    """One person's footprints along the dry sand, lit from the left; changes `light` in place."""
    height, width, _ = light.shape
    for n in range(96):
        along = -1.0 + 0.66 * n
        way = 0.10 + 0.20 * np.cos(along / 15)
        x = along * metre
        y = height - (7.4 - 0.10 * along + 3.0 * np.sin(along / 15) - (0.11 if n % 2 else -0.11)) * metre
        c, s = np.cos(-way + rng.normal(0, 0.06)), np.sin(-way + rng.normal(0, 0.06))
        reach = int(0.30 * metre) + 2
        x0, x1, y0, y1 = int(x) - reach, int(x) + reach + 1, int(y) - reach, int(y) + reach + 1
        if x0 < 0 or y0 < 0 or x1 > width or y1 > height:
            continue
        dx = (np.arange(x0, x1)[None, :] - x) / metre
        dy = (np.arange(y0, y1)[:, None] - y) / metre
        p, q = (dx * c + dy * s) / 0.150, (dy * c - dx * s) / (0.056 * (1 + 0.9 * (dx * c + dy * s)))
        deep = np.exp(-((p * p + q * q) ** 1.5))
        rim = np.exp(-((np.hypot(p, q) - 1.25) ** 2) * 9)
        # The hollow's near wall is in shade, the far one and the rim beyond it catch the sun.
        shade = -0.30 * deep - 0.20 * p * deep + 0.09 * p * rim
        light[y0:y1, x0:x1] *= (1 + shade[..., None] * np.array([0.85, 1.0, 1.1])).astype(np.float32)


def _ground(beach: _Beach, x: Plane, y: Plane, pixel: float, deep_m: float) -> Light:
    f = np.float32
    broad = beach.broad.at(x * f(1 / 95), y * f(1 / 480))
    second = beach.broad.at(x * f(1 / 37) + f(0.3), y * f(1 / 150) + f(0.6))
    third = beach.broad.at(x * f(1 / 14) + f(0.7), y * f(1 / 14) + f(0.2))
    tilt = x * f(0.16)
    # Metres seaward of the last wave's edge: positive is sea.
    out = f(deep_m * 0.74) - y - tilt + f(2.5) * broad + f(1.15) * second + f(0.45) * third
    sand = _sand(beach, x, y, out, pixel)
    depth = np.maximum(out, 0) * f(0.085) + np.maximum(out - 16, 0) * f(0.10)
    water = _water(beach, x, y, out, depth, sand, pixel)
    wash = smoothstep(0.0, 0.5, out)
    light = sand + wash[..., None] * (water - sand)
    foam, shade = _foam(beach, x, y, out, broad, second, third, pixel)
    light *= (1 - f(0.30) * shade)[..., None]
    white = np.array([0.93, 0.95, 0.96], np.float32) * (f(1.18) - f(0.30) * shade)[..., None]
    light += foam[..., None] * (white - light)
    return light.astype(np.float32, copy=False)


def _sand(beach: _Beach, x: Plane, y: Plane, out: Plane, pixel: float) -> Light:
    f = np.float32
    grain = beach.sand.at(x * f(1 / 21.0), y * f(1 / 21.0), pixel / 21.0)
    soft = beach.chop.at(y * f(1 / 16), x * f(1 / 16), pixel / 16)
    dry = smoothstep(-7.5, -13.5, out + f(0.8) * soft)
    glaze = smoothstep(-4.5, -0.3, out + f(0.5) * soft)
    colour = _WET + dry[..., None] * (_DRY - _WET)
    colour = colour * np.exp(f(0.055) * grain * (f(0.5) + dry) + f(0.025) * soft)[..., None]
    # The thin film left by the last wave shows the sky.
    colour += (glaze * (f(0.10) + f(0.02) * soft))[..., None] * np.array([0.72, 0.86, 1.0], np.float32)
    marks = np.zeros_like(out)
    for at, strength in ((-3.1, 0.10), (-6.0, 0.14), (-9.2, 0.10)):
        marks += f(strength) * np.exp(-(((out - f(at) + f(0.7) * soft) / f(0.10)) ** 2))
    sand: Light = colour * (1 - marks)[..., None]
    return sand


def _water(beach: _Beach, x: Plane, y: Plane, out: Plane, depth: Plane, sand: Light, pixel: float) -> Light:
    f = np.float32
    run = y + x * f(0.16)
    chop = beach.wave.at(x * f(1 / 41), run * f(1 / 41), pixel / 41)
    small = beach.wave.at(x * f(1 / 11.3) + f(0.4), run * f(1 / 11.3) + f(0.02) * chop, pixel / 11.3)
    net = np.abs(beach.lace.at(x * f(1 / 11) + f(0.03) * small, y * f(1 / 11), pixel / 11))
    caustic = np.exp(net * f(-5.5)) * np.exp(depth * f(-0.9)) * smoothstep(0.05, 0.4, depth)
    bottom = _WET * f(1.55) * (1 + f(0.65) * caustic + f(0.04) * chop)[..., None]
    through = np.exp(-depth[..., None] * (f(2.1) * _ABSORB))
    light = bottom * through + _DEEP * f(1.9) * (1 - np.exp(depth * f(-0.30)))[..., None]
    lit = f(0.10) * chop + f(0.085) * small
    light *= np.exp(lit * smoothstep(0.2, 3.0, out))[..., None]
    gleam = np.maximum(chop * f(0.6) + small * f(0.8) - f(0.9), 0) ** 2 * f(0.016)
    light += gleam[..., None] * np.array([0.75, 0.92, 1.0], np.float32)
    water: Light = light + sand * f(0.02)
    return water


def _foam(
    beach: _Beach, x: Plane, y: Plane, out: Plane, broad: Plane, second: Plane, third: Plane, pixel: float
) -> tuple[Plane, Plane]:
    """Cover by foam and the shade beside it, both 0..1: three fronts, each with lace drawn out behind it."""
    f = np.float32
    warp = beach.broad.at(x * f(1 / 9) + f(0.1), y * f(1 / 9) + f(0.9))
    lace = np.abs(beach.lace.at(x * f(1 / 17) + f(0.02) * warp, y * f(1 / 13) + f(0.02) * third, pixel / 13))
    cells = np.abs(beach.lace.at(x * f(1 / 5.9) + f(0.5), y * f(1 / 4.9) + f(0.02) * warp, pixel / 4.9))
    bubble = beach.bubble.at(x * f(1 / 5.0), y * f(1 / 5.0), pixel / 5.0)
    cover = np.zeros_like(out)
    shade = np.zeros_like(out)
    fronts = ((0.0, 6.5, 0.60, 0.0), (11.5, 8.5, 0.95, 0.35), (26.0, 7.0, 0.70, 0.55))
    for start, length, strength, broken in fronts:
        bend = f(start) + f(0.8) * (second if start else f(0)) + f(1.1 * (start > 0)) * broad
        behind = out - bend + f(0.16) * third
        tail = np.clip(behind / f(length), 0, 1)
        alive = np.clip(
            f(1) - f(broken) + f(0.75) * np.where(start == 0, f(0.4), second * f(0.8) + broad * f(0.5)), 0, 1
        )
        dense = f(strength) * (1 - tail) ** f(1.5) * alive
        on = smoothstep(0.0, 0.16, behind) * (behind < length)
        edge = np.exp(-np.maximum(behind, 0) / f(0.45)) * smoothstep(0.0, 0.08, behind) * alive
        web = smoothstep(0.0, 0.26, dense * f(0.84) - lace * f(0.55) + f(0.09) * bubble - f(0.10))
        web = np.maximum(
            web,
            f(0.8) * smoothstep(0.0, 0.22, dense * f(0.70) - cells * f(0.50) + f(0.08) * bubble - f(0.10)),
        )
        cover = np.maximum(cover, on * np.clip(web + edge * (f(0.95) + f(0.1) * bubble), 0, 1))
        before = np.exp(-(((behind + f(0.30)) / f(0.30)) ** 2)) * alive
        shade = np.maximum(shade, before * f(0.8 if start else 0.55))
    body = np.clip(cover * (f(0.92) + f(0.10) * bubble), 0, 1)
    return body, np.clip(
        shade + f(0.22) * (1 - cover) * cover * 2 + f(0.10) * np.clip(-bubble, 0, 2) * cover, 0, 1
    )
