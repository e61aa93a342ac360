"""A scallop shell on sand, fading out in an oval: skin-like tones, and a picture with transparency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from drydown.demo.scenes.light import STRIP_ROWS, Light, Look, enlarge
from drydown.demo.scenes.noise import Plane, Tile, fractal, grid, random_for, smoothstep

LOOK = Look(exposure=1.0, contrast=1.30, white=2.8, glow=0.04, falloff=0.18, grain=0.008)

_LIGHT = np.array([-0.55, -0.50, 0.67], np.float32)
"""Right, down the picture, up; length one within a hundredth."""

_HALF_ANGLE = 1.04
_RIBS = 19
_TURN = -0.20
"""Radians that the shell is turned on the sand."""


@dataclass(frozen=True)
class _Tiles:
    broad: Tile
    fine: Tile
    sand: Tile


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    tiles = _Tiles(
        Tile.of(fractal(random_for(seed, "broad"), 512, slope=1.9, lowest=2)),
        Tile.of(fractal(random_for(seed, "fine"), 512, slope=1.2, lowest=3)),
        Tile.of(fractal(random_for(seed, "sand"), 1024, slope=0.55, lowest=24, highest=330)),
    )
    unit = height_px / 2.0
    shadow = _shadow(width_px, height_px, unit)
    light = np.empty((height_px, width_px, 3), np.float32)
    for top in range(0, height_px, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height_px))
        x, y = _places(rows, width_px, height_px, unit)
        shade = enlarge(shadow, height_px, width_px, rows)
        sand = _sand(x, y, tiles, shade, 1 / unit)
        cover, shell = _shell(x, y, tiles, 1 / unit)
        light[rows] = sand + cover[..., None] * (shell - sand)
    return light


def fading(width_px: int, height_px: int, seed: int) -> Plane:
    """How solid the picture is: 1 within an oval, softly and a little unevenly to 0 outside it, shape (height, width)."""
    y = (np.arange(height_px, dtype=np.float32) * np.float32(2 / height_px) - np.float32(1))[:, None]
    x = (np.arange(width_px, dtype=np.float32) * np.float32(2 / width_px) - np.float32(1))[None, :]
    u, v = grid(x * np.float32(0.3), y * np.float32(0.3))
    uneven = Tile.of(fractal(random_for(seed, "fading"), 128, slope=2.2, lowest=2)).at(u, v)
    away = np.hypot(x, y) + np.float32(0.018) * uneven
    return 1 - smoothstep(0.66, 0.985, away)


def _places(rows: slice, width: int, height: int, unit: float) -> tuple[Plane, Plane]:
    y = (np.arange(rows.start, rows.stop, dtype=np.float32) + np.float32(0.5 - height / 2)) / np.float32(unit)
    x = (np.arange(width, dtype=np.float32) + np.float32(0.5 - width / 2)) / np.float32(unit)
    return np.broadcast_to(x[None, :], (y.size, width)), np.broadcast_to(y[:, None], (y.size, width))


def _fan(x: Plane, y: Plane) -> tuple[Plane, Plane, Plane]:
    """Angle from the shell's axis, distance from the hinge as a part of the margin's, and the margin's distance."""
    c, s = np.float32(np.cos(_TURN)), np.float32(np.sin(_TURN))
    right, down = x * c + y * s, y * c - x * s + np.float32(0.05)
    hinge = np.float32(0.60) - down
    angle = np.arctan2(right, hinge)
    reach = np.hypot(right, hinge)
    share = np.clip(np.abs(angle) / np.float32(_HALF_ANGLE), 0, 1.3)
    margin = np.float32(1.17) * (1 - np.float32(0.17) * share**2 - np.float32(0.10) * share**5)
    margin *= 1 + np.float32(0.011) * np.cos(angle * np.float32(_RIBS * np.pi / _HALF_ANGLE)) * (1 - share**4)
    return angle, reach / margin, margin


def _height(angle: Plane, part: Plane) -> Plane:
    """The shell's back above the sand: a low dome that falls to the margin and to the sides, with rounded ribs."""
    share = np.clip(np.abs(angle) / np.float32(_HALF_ANGLE), 0, 1)
    inside = np.clip(part, 0, 1)
    side = np.sqrt(np.maximum(1 - share**2.2, 0))
    dome = np.float32(0.40) * inside**0.75 * np.sqrt(np.maximum(1 - inside**2.6, 0)) * side
    wave = np.cos(angle * np.float32(_RIBS * np.pi / _HALF_ANGLE))
    rib = (
        np.float32(0.021)
        * inside
        * (np.sqrt(wave * np.float32(0.5) + np.float32(0.5)) - np.float32(0.5))
        * side
    )
    growth = np.float32(0.0035) * np.cos(inside**1.3 * np.float32(95)) * smoothstep(0.35, 0.95, inside)
    out: Plane = dome + rib + growth * side
    return out


def _solid(angle: Plane, part: Plane, margin: Plane, pixel: float) -> Plane:
    """Cover by the fan, with an edge one pixel wide."""
    front = (1 - part) * margin / np.float32(pixel)
    share = (np.float32(_HALF_ANGLE) - np.abs(angle)) * part * margin / np.float32(pixel)
    out: Plane = np.clip(np.minimum(front, share) + np.float32(0.5), 0, 1)
    return out


def _ears(x: Plane, y: Plane, pixel: float) -> tuple[Plane, Plane]:
    """Cover and tone of the two flat wings at the hinge."""
    c, s = np.float32(np.cos(_TURN)), np.float32(np.sin(_TURN))
    right, down = x * c + y * s, y * c - x * s + np.float32(0.05)
    up = np.float32(0.635) - down
    # The wings' outer edges are hollow curves; the straight side is the hinge.
    wide = (
        np.float32(0.250) + np.float32(0.030) * np.sign(right) - np.float32(0.55) * np.clip(up, 0, 1) ** 1.5
    )
    wide += np.float32(0.20) * np.clip(up - np.float32(0.10), 0, 1)
    corner = np.float32(0.012) * np.exp(-up / np.float32(0.012))
    inside = np.minimum(np.minimum(wide - corner - np.abs(right), up), np.float32(0.27) - up)
    line = np.float32(0.5) + np.float32(0.5) * np.cos(np.arctan2(np.abs(right) + 0.02, up) * np.float32(34))
    return np.clip(inside / np.float32(pixel) + np.float32(0.5), 0, 1), line


def _shell(x: Plane, y: Plane, tiles: _Tiles, pixel: float) -> tuple[Plane, Light]:
    f = np.float32
    angle, part, margin = _fan(x, y)
    fan = _solid(angle, part, margin, pixel)
    wing, lines = _ears(x, y, pixel)
    cover = np.maximum(fan, wing)
    if cover.max() <= 0:
        return cover, np.zeros((*x.shape, 3), np.float32)
    step = f(max(pixel, 0.0012))
    z = _height(angle, part)
    right = (_height(*_fan(x + step, y)[:2]) - z) / step
    down = (_height(*_fan(x, y + step)[:2]) - z) / step
    fine = tiles.fine.at(angle * f(0.9), part * f(0.45), pixel * 0.5)
    grit = tiles.fine.at(x * f(1.9), y * f(1.9), pixel * 1.9)
    bump_x = np.gradient(grit, axis=1) / f(pixel) * f(0.00030)
    bump_y = np.gradient(grit, axis=0) / f(pixel) * f(0.00030)
    slope_cap = f(1.9)
    nx = -np.clip(right, -slope_cap, slope_cap) * fan - bump_x
    ny = -np.clip(down, -slope_cap, slope_cap) * fan - bump_y
    norm = 1 / np.sqrt(1 + nx * nx + ny * ny)

    colour = _pattern(angle, part, fine, tiles, x, y, pixel)
    ear = np.array([0.70, 0.51, 0.40], np.float32) * (f(0.72) + f(0.28) * lines)[..., None]
    colour = ear + fan[..., None] * (colour - ear)
    wave = np.cos(angle * f(_RIBS * np.pi / _HALF_ANGLE))
    groove = 1 - f(0.42) * smoothstep(-0.25, -1.0, wave) * smoothstep(0.05, 0.45, part) * fan
    facing = np.clip((nx * _LIGHT[0] + ny * _LIGHT[1] + _LIGHT[2]) * norm, 0, 1)
    sky = (f(0.42) + f(0.58) * norm) * groove
    light = (facing * groove)[..., None] * np.array([1.62, 1.46, 1.26], np.float32)
    light += sky[..., None] * np.array([0.36, 0.38, 0.42], np.float32)
    light += (f(0.13) * np.clip(ny * norm, 0, 1))[..., None] * np.array([0.9, 0.7, 0.5], np.float32)
    half = _LIGHT + np.array([0, 0, 1], np.float32)
    half /= f(np.linalg.norm(half))
    meet = np.clip((nx * half[0] + ny * half[1] + half[2]) * norm, 0, 1)
    shine = np.exp((meet - 1) * f(34)) * f(0.15) + np.exp((meet - 1) * f(240)) * f(0.10)
    return cover, light * colour + shine[..., None]


def _pattern(
    angle: Plane, part: Plane, fine: Plane, tiles: _Tiles, x: Plane, y: Plane, pixel: float
) -> Light:
    """Cream with rosy bands of growth, broken into rays, whitening to the hinge."""
    f = np.float32
    broad = tiles.broad.at(x * f(0.32) + f(0.2), y * f(0.32), pixel * 0.32)
    ray = tiles.broad.at(angle * f(0.55) + f(0.4), part * f(0.05), 0.002)
    shifted = part + f(0.010) * broad + f(0.004) * fine
    bands = f(0.5) + f(0.5) * np.sin(shifted * f(21) + f(0.6)) * f(0.9)
    bands = bands * (f(0.62) + f(0.38) * np.sin(shifted * f(55) + f(1.0)))
    rosy = np.clip(
        bands * (f(0.80) + f(0.26) * ray) * smoothstep(0.10, 0.55, part) + f(0.09) * fine * bands, 0, 1
    )
    cream = np.array([0.86, 0.70, 0.56], np.float32)
    rose = np.array([0.66, 0.295, 0.205], np.float32)
    plum = np.array([0.30, 0.120, 0.125], np.float32)
    colour = cream + rosy[..., None] * (rose - cream)
    dark = rosy * rosy * smoothstep(0.55, 0.95, part) * f(0.45)
    colour += dark[..., None] * (plum - colour)
    rim = smoothstep(0.955, 1.0, part)
    colour += (rim * f(0.55))[..., None] * (cream - colour)
    wave = np.cos(angle * f(_RIBS * np.pi / _HALF_ANGLE))
    out: Light = colour * (1 + f(0.055) * wave + f(0.045) * fine)[..., None]
    return out


def _shadow(width: int, height: int, unit: float) -> Light:
    """Light that reaches the sand beside the shell: close contact and the soft shadow to the lower right; small, one channel."""
    factor = max(1, height // 480)
    w, h = width // factor, height // factor
    small = unit / factor
    x, y = _places(slice(0, h), w, h, small)
    angle, part, margin = _fan(x, y)
    cover = np.maximum(_solid(angle, part, margin, 1 / small), _ears(x, y, 1 / small)[0])
    z = _height(angle, part) * cover + np.float32(0.03) * cover
    open_sun = np.ones_like(z)
    flat = float(np.hypot(_LIGHT[0], _LIGHT[1]))
    for distance in np.linspace(0.006, 0.42, 34):
        dx, dy = -_LIGHT[0] / flat * distance * small, -_LIGHT[1] / flat * distance * small
        moved = ndimage.shift(z, (dy, dx), order=1, mode="nearest")
        over = moved - np.float32(distance * float(_LIGHT[2]) / flat)
        np.minimum(
            open_sun, 1 - smoothstep(-0.012 - 0.06 * distance, 0.012 + 0.06 * distance, over), out=open_sun
        )
    near = ndimage.gaussian_filter(cover, 0.030 * small)
    wide = ndimage.gaussian_filter(cover, 0.11 * small)
    open_sky = (1 - np.float32(0.52) * near) * (1 - np.float32(0.40) * wide)
    return np.stack([ndimage.gaussian_filter(open_sun, 0.006 * small), open_sky], axis=-1).astype(np.float32)


def _sand(x: Plane, y: Plane, tiles: _Tiles, shade: Light, pixel: float) -> Light:
    f = np.float32
    grain = tiles.sand.at(x * f(1.35), y * f(1.35), pixel * 1.35)
    second = tiles.sand.at(x * f(0.62) + f(0.3), y * f(0.62) + f(0.7), pixel * 0.62)
    soft = tiles.broad.at(x * f(0.5), y * f(0.5), pixel * 0.5)
    rise_x = np.gradient(grain * f(0.00055) + second * f(0.0008), axis=1) / f(pixel)
    rise_y = np.gradient(grain * f(0.00055) + second * f(0.0008), axis=0) / f(pixel)
    wave = np.cos((x * f(0.45) + y * f(0.9)) * f(15) + soft * f(1.1))
    nx, ny = -rise_x * f(0.55) + wave * f(0.045), -rise_y * f(0.55) + wave * f(0.09)
    norm = 1 / np.sqrt(1 + nx * nx + ny * ny)
    facing = np.clip((nx * _LIGHT[0] + ny * _LIGHT[1] + _LIGHT[2]) * norm, 0, 1)
    tint = np.clip(grain, -2, 2)[..., None] * np.array([0.085, 0.10, 0.12], np.float32)
    colour = np.array([0.640, 0.535, 0.420], np.float32) * (1 + tint + f(0.05) * soft[..., None])
    dark = smoothstep(1.75, 2.5, second) * f(0.55)
    colour *= (1 - dark)[..., None]
    light = (facing * shade[..., 0])[..., None] * np.array([1.30, 1.17, 1.00], np.float32)
    light += shade[..., 1:2] * np.array([0.31, 0.335, 0.375], np.float32)
    out: Light = light * colour
    return out
