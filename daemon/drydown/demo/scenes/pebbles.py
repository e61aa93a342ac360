"""Pebbles from above, half of them wet: fine texture, many near-neutral greys and a few warm stones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, grid, random_for, smoothstep

LOOK = Look(exposure=1.02, contrast=1.38, white=3.4, glow=0.02, falloff=0.22, grain=0.009)

_Owner = NDArray[np.int16]

_SUN = np.array([-0.52, -0.42, 0.74], np.float32)
"""Right, down the picture, up; length one within a hundredth."""

_STONE = np.array(
    [
        (0.200, 0.195, 0.190),
        (0.285, 0.272, 0.255),
        (0.130, 0.135, 0.142),
        (0.075, 0.080, 0.088),
        (0.390, 0.370, 0.335),
        (0.560, 0.540, 0.510),
        (0.320, 0.235, 0.170),
        (0.260, 0.150, 0.105),
        (0.180, 0.190, 0.175),
        (0.420, 0.330, 0.250),
    ],
    np.float32,
)
_SHARE = np.array([0.20, 0.17, 0.15, 0.09, 0.11, 0.06, 0.08, 0.05, 0.06, 0.03])


@dataclass(frozen=True)
class _Pebble:
    x: float
    y: float
    long: float
    short: float
    turn: float
    thick: float
    rest: float
    power: float
    lumps: tuple[float, float, float, float]


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    unit = width_px / 3300
    rng = random_for(seed, "pebbles")
    texture = Tile.of(fractal(random_for(seed, "stone"), 1024, slope=1.15, lowest=3))
    cloudy = Tile.of(fractal(random_for(seed, "cloudy"), 512, slope=1.9, lowest=2))
    height, owner, pebbles = _heap(width_px, height_px, unit, rng, texture)
    open_sky, sunlit = _openness(height, unit)
    stones = _Stones(pebbles, rng)
    light = np.empty((height_px, width_px, 3), np.float32)
    for top in range(0, height_px, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height_px))
        light[rows] = _shade(rows, height, owner, open_sky[rows], sunlit[rows], stones, texture, cloudy, unit)
    return light


def _heap(
    width: int, height: int, unit: float, rng: np.random.Generator, texture: Tile
) -> tuple[Plane, _Owner, list[_Pebble]]:
    """Heights in full-size pixels, and which pebble (0 = the gravel between) each pixel shows."""
    rows = np.arange(height, dtype=np.float32)[:, None] * np.float32(1 / unit)
    columns = np.arange(width, dtype=np.float32)[None, :] * np.float32(1 / unit)
    bed = np.empty((height, width), np.float32)
    for top in range(0, height, STRIP_ROWS):
        part = slice(top, min(top + STRIP_ROWS, height))
        x, y = grid(columns, rows[part])
        bed[part] = texture.at(x / np.float32(420), y / np.float32(420), 1 / unit / 420) * np.float32(
            3
        ) - np.float32(14)
    owner = np.zeros((height, width), np.int16)
    pebbles: list[_Pebble] = []
    cell = 6.0
    taken = np.zeros((int(height / unit / cell) + 2, int(width / unit / cell) + 2), bool)
    for low, high, tries, crowd in (
        (95, 235, 900, 0.04),
        (50, 100, 2600, 0.10),
        (24, 52, 7000, 0.22),
        (12, 25, 9000, 0.35),
    ):
        if high * unit < 3:
            continue  # smaller than the pixels of a small picture
        sizes = np.sort(low + (high - low) * rng.random(tries) ** 2.2)[::-1]
        for size in sizes:
            spot = rng.random(2) * (width / unit + 200, height / unit + 200) - 100
            flat = rng.uniform(0.60, 0.95)
            pebble = _Pebble(
                spot[0], spot[1], size, size * flat, rng.uniform(0, np.pi), size * rng.uniform(0.38, 0.62),
                rng.uniform(-0.15, 0.10) * size, rng.uniform(2.0, 2.6), tuple(np.clip(rng.normal(0, 0.035, 4), -0.06, 0.06)),
            )  # fmt: skip
            if _claim(taken, pebble, cell, crowd):
                pebbles.append(pebble)
    for number, pebble in enumerate(pebbles, start=1):
        _lay(bed, owner, pebble, number, unit)
    return bed, owner, pebbles


def _claim(taken: NDArray[np.bool_], pebble: _Pebble, cell: float, crowd: float) -> bool:
    reach = pebble.long * 0.97
    y0, y1 = max(int((pebble.y - reach) / cell), 0), min(int((pebble.y + reach) / cell) + 1, taken.shape[0])
    x0, x1 = max(int((pebble.x - reach) / cell), 0), min(int((pebble.x + reach) / cell) + 1, taken.shape[1])
    if y0 >= y1 or x0 >= x1:
        return False
    dy = (np.arange(y0, y1)[:, None] + 0.5) * cell - pebble.y
    dx = (np.arange(x0, x1)[None, :] + 0.5) * cell - pebble.x
    c, s = np.cos(pebble.turn), np.sin(pebble.turn)
    inside = ((dx * c + dy * s) / pebble.long) ** 2 + ((dy * c - dx * s) / pebble.short) ** 2 < 0.96
    there = taken[y0:y1, x0:x1]
    if (there & inside).sum() > crowd * max(inside.sum(), 1):
        return False
    there |= inside
    return True


def _lay(height: Plane, owner: _Owner, pebble: _Pebble, number: int, unit: float) -> None:
    reach = pebble.long * 1.3 * unit
    cx, cy = pebble.x * unit, pebble.y * unit
    y0, y1 = max(int(cy - reach), 0), min(int(cy + reach) + 2, height.shape[0])
    x0, x1 = max(int(cx - reach), 0), min(int(cx + reach) + 2, height.shape[1])
    if y0 >= y1 or x0 >= x1:
        return
    dy = ((np.arange(y0, y1, dtype=np.float32) + 0.5 - cy) / unit)[:, None]
    dx = ((np.arange(x0, x1, dtype=np.float32) + 0.5 - cx) / unit)[None, :]
    c, s = np.float32(np.cos(pebble.turn)), np.float32(np.sin(pebble.turn))
    p = np.abs((dx * c + dy * s) / np.float32(pebble.long))
    q = (dy * c - dx * s) / np.float32(pebble.short)
    along = (dx * c + dy * s) / np.float32(pebble.long)
    a, b, d, e = (np.float32(v) for v in pebble.lumps)
    # A few low waves keep the outline from being an ellipse.
    u, v = np.clip(along, -1, 1), np.clip(q, -1, 1)
    bend = 1 + a * u * 2 + b * v * 2 + d * (u * v) * 6 + e * (u * u - v * v) * 4
    power = np.float32(pebble.power)
    inside = np.exp(np.log(p + np.float32(1e-4)) * power) + np.exp(
        np.log(np.abs(q) + np.float32(1e-4)) * power
    )
    inside = 1 - inside * bend
    dome = np.sqrt(np.maximum(inside, 0)) * np.float32(0.75) + np.maximum(inside, 0) * np.float32(0.25)
    top = np.float32(pebble.rest - pebble.thick * 0.2) + dome * np.float32(pebble.thick)
    there = height[y0:y1, x0:x1]
    shown = (inside > 0) & (top > there)
    np.copyto(there, top, where=shown)
    np.copyto(owner[y0:y1, x0:x1], np.int16(number), where=shown)


def _openness(height: Plane, unit: float) -> tuple[Plane, Plane]:
    """How much sky and how much sun each pixel sees, both 0..1, computed at half size."""
    rows, columns = height.shape[0] // 2, height.shape[1] // 2
    half = height[: rows * 2, : columns * 2].reshape(rows, 2, columns, 2).mean((1, 3))
    scale = unit / 2
    sky = np.ones_like(half)
    for reach, depth, weight in ((7, 10, 0.40), (22, 26, 0.38), (70, 60, 0.30)):
        below = (
            ndimage.uniform_filter(
                ndimage.uniform_filter(half, max(2, round(reach * scale))), max(2, round(reach * scale))
            )
            - half
        )
        sky -= np.float32(weight) * np.clip(below / np.float32(depth), -0.25, 1)
    blocked = np.zeros_like(half)
    flat = float(np.hypot(_SUN[0], _SUN[1]))
    rise = float(_SUN[2]) / flat
    for distance in np.geomspace(4, 210, 22):
        dx, dy = round(-_SUN[0] / flat * distance * scale), round(-_SUN[1] / flat * distance * scale)
        if dx == 0 and dy == 0:
            continue
        away = max(rows - dy, 1), max(columns - dx, 1)
        over = (
            half[: away[0], : away[1]]
            - half[dy : dy + away[0], dx : dx + away[1]]
            - np.float32(distance * rise)
        )
        soft = np.clip(over / np.float32(1.5 + distance * 0.10) + np.float32(0.5), 0, 1)
        part = blocked[dy : dy + away[0], dx : dx + away[1]]
        np.maximum(part, soft, out=part)
    blocked = ndimage.uniform_filter(blocked, 3)
    return _double(np.clip(sky, 0.06, 1.2), height.shape), _double(1 - blocked, height.shape)


def _double(half: Plane, shape: tuple[int, int]) -> Plane:
    full = np.repeat(np.repeat(half, 2, axis=0), 2, axis=1)
    full = np.pad(full, ((0, shape[0] - full.shape[0]), (0, shape[1] - full.shape[1])), mode="edge")
    out: Plane = ndimage.uniform_filter(full, 2)
    return out


class _Stones:
    """What each pebble is made of, one row a pebble; row 0 is the gravel between."""

    def __init__(self, pebbles: list[_Pebble], rng: np.random.Generator) -> None:
        count = len(pebbles) + 1
        kind = rng.choice(len(_STONE), count, p=_SHARE)
        tone = np.exp(rng.normal(0, 0.18, (count, 1))).astype(np.float32)
        self.colour = (_STONE[kind] * tone).astype(np.float32)
        self.colour[0] = (0.21, 0.185, 0.15)
        self.shift = rng.random((count, 2)).astype(np.float32)
        self.turn = rng.uniform(0, 2 * np.pi, count).astype(np.float32)
        self.speckle = np.where(rng.random(count) < 0.35, rng.uniform(0.4, 1.0, count), 0.12).astype(
            np.float32
        )
        self.band = np.where(rng.random(count) < 0.25, rng.uniform(0.15, 0.4, count), 0.0).astype(np.float32)
        self.vein = np.where(rng.random(count) < 0.22, 1.0, 0.0).astype(np.float32)


@dataclass(frozen=True)
class _Place:
    """What the noise says at each pixel of a strip: position in full-size pixels, three textures, which stone."""

    x: Plane
    y: Plane
    who: NDArray[np.int32]
    fine: Plane
    broad: Plane
    grit: Plane


def _shade(
    rows: slice, height: Plane, owner: _Owner, open_sky: Plane, sunlit: Plane,
    stones: _Stones, texture: Tile, cloudy: Tile, unit: float,
) -> Light:  # fmt: skip
    place = _place(rows, owner, stones, texture, cloudy, unit)
    first, last = max(rows.start - 1, 0), min(rows.stop + 1, height.shape[0])
    down = np.gradient(height[first:last], axis=0)[rows.start - first : rows.stop - first] * np.float32(unit)
    right = np.gradient(height[rows], axis=1) * np.float32(unit)
    bump_x = np.gradient(place.fine, axis=1) * np.float32(0.55 * unit)
    bump_y = np.gradient(place.fine, axis=0) * np.float32(0.55 * unit)
    nx, ny = -right - bump_x, -down - bump_y
    norm = 1 / np.sqrt(1 + nx * nx + ny * ny)

    line = place.x * np.float32(0.60) + place.y * np.float32(0.80) - np.float32(1800)
    tide = cloudy.at(place.x * np.float32(1 / 2900), place.y * np.float32(1 / 2900), 1 / unit / 2900)
    line += np.float32(170) * tide + height[rows] * np.float32(-1.2) + np.float32(12) * place.grit
    wet = smoothstep(-25, 35, line)[..., None]
    colour = _stone(place, stones)
    damp = np.exp(np.log(np.maximum(colour, np.float32(1e-4))) * np.float32(1.42)) * np.float32(0.86)
    colour += wet * (damp - colour)

    facing = np.clip((nx * _SUN[0] + ny * _SUN[1] + _SUN[2]) * norm, 0, 1) * sunlit
    sky = open_sky * (np.float32(0.45) + np.float32(0.55) * norm)
    light = facing[..., None] * np.array([2.5, 2.25, 1.85], np.float32)
    light += sky[..., None] * np.array([0.62, 0.70, 0.80], np.float32)
    light *= colour
    calm_x, calm_y = np.float32(0.12) * bump_x + right, np.float32(0.12) * bump_y + down
    film = _gloss(-calm_x, -calm_y, open_sky, sunlit)
    light += film[..., None] * wet * np.array([1.0, 0.98, 0.95], np.float32)
    return np.asarray(light, np.float32)


def _place(rows: slice, owner: _Owner, stones: _Stones, texture: Tile, cloudy: Tile, unit: float) -> _Place:
    who = owner[rows].astype(np.int32)
    down = np.arange(rows.start, rows.stop, dtype=np.float32) * np.float32(1 / unit)
    right = np.arange(who.shape[1], dtype=np.float32) * np.float32(1 / unit)
    x, y = grid(right[None, :], down[:, None])
    shift = stones.shift[who]
    one, two = shift[..., 0], shift[..., 1]
    fine = texture.at(x * np.float32(1 / 330) + one, y * np.float32(1 / 330) + two, 1 / unit / 330)
    broad = cloudy.at(x * np.float32(1 / 700) + two, y * np.float32(1 / 700) + one, 1 / unit / 700)
    grit = texture.at(x * np.float32(1 / 1010) + two, y * np.float32(1 / 1010) + one, 1 / unit / 1010)
    return _Place(x, y, who, fine, broad, grit)


def _stone(place: _Place, stones: _Stones) -> Light:
    """The dry stone's own colour: cloudy, banded, speckled or veined."""
    who, fine, broad = place.who, place.fine, place.broad
    turn = stones.turn[who]
    across = (place.x * np.cos(turn) + place.y * np.sin(turn)) * np.float32(0.085)
    tone = 1 + np.float32(0.16) * broad + stones.band[who] * np.sin(across + broad * np.float32(2.6))
    light, dark = smoothstep(1.2, 1.9, fine), smoothstep(-1.2, -1.9, fine)
    tone += stones.speckle[who] * (np.float32(0.30) * fine + np.float32(0.8) * light - np.float32(0.6) * dark)
    colour = stones.colour[who] * np.clip(tone, 0.25, 2.2)[..., None]
    vein = smoothstep(0.075, 0.02, np.abs(broad + np.float32(0.12) * place.grit - np.float32(0.35)))
    colour += (stones.vein[who] * vein * np.float32(0.75))[..., None] * (np.float32(0.55) - colour)
    return np.asarray(colour, np.float32)


def _gloss(nx: Plane, ny: Plane, open_sky: Plane, sunlit: Plane) -> Plane:
    """The film of water: a soft picture of the sky and the sun's own glint."""
    norm = 1 / np.sqrt(1 + nx * nx + ny * ny)
    tilt = 1 - norm
    mirror = np.float32(0.045) + np.float32(0.60) * tilt * tilt * tilt
    half = _SUN + np.array([0, 0, 1], np.float32)
    half /= np.float32(np.linalg.norm(half))
    meet = np.clip((nx * half[0] + ny * half[1] + half[2]) * norm, 0, 1)
    glint = np.exp((meet - 1) * np.float32(900)) * np.float32(3.2) + np.exp(
        (meet - 1) * np.float32(90)
    ) * np.float32(0.16)
    toward = np.clip(
        np.float32(0.55) - np.float32(0.6) * (nx * np.float32(0.4) + ny * np.float32(0.7)) * norm * norm, 0, 1
    )
    out: Plane = mirror * open_sky * toward * np.float32(1.5) + glint * sunlit
    return out
