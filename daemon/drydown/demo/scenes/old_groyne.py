"""A row of old posts in milky water: almost no colour, one long smooth gradient, dark accents."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.land import line_noise, read_line
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import Plane, Tile, fractal, grid, random_for, smoothstep

LOOK = Look(exposure=1.05, contrast=1.5, white=1.35, glow=0.07, falloff=0.30, grain=0.010)


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    view = View(width_px, height_px, focal_px=width_px * 1.05, horizon_px=height_px * 0.425, eye_m=2.3)
    light = np.empty((height_px, width_px, 3), np.float32)
    swell = BandedTile(fractal(random_for(seed, "swell"), 512, slope=1.9, lowest=2, stretch=0.35))
    cloud = BandedTile(fractal(random_for(seed, "cloud"), 512, slope=2.0, lowest=2, stretch=0.22))
    for top in range(0, height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, height_px))
        light[rows] = _air_and_sea(view, rows, swell, cloud)
    air = light.mean(axis=1, keepdims=True)
    wood = Tile.of(fractal(random_for(seed, "wood"), 512, slope=1.15, lowest=3, stretch=0.16))
    posts = _posts(random_for(seed, "posts"))
    for right, along, radius, high, lean in reversed(posts):
        _stand_post(
            light, air, view, wood, (right, along, radius, high, lean), random_for(seed, f"{along:.3f}")
        )
    return light


def _posts(rng: np.random.Generator) -> list[tuple[float, float, float, float, float]]:
    """Right m, along m, radius m, height m, lean of one row that runs out to sea, near to far."""
    posts = []
    for n in range(26):
        along = 6.6 + 1.75 * n + rng.normal(0, 0.16)
        line = -2.45 + 0.150 * (along - 6.6)
        gone = rng.random() < 0.10 and n > 2
        high = rng.uniform(0.25, 0.5) if gone else 1.45 + rng.normal(0, 0.13) - 0.012 * n
        posts.append(
            (line + rng.normal(0, 0.05), along, rng.uniform(0.125, 0.155), high, rng.normal(0, 0.014))
        )
    return posts


def _air_and_sea(view: View, rows: Rows, swell: BandedTile, cloud: BandedTile) -> Light:
    up, across = view.up(rows), view.across()
    above = np.abs(up)
    # The sea shows the sky upside down; mist takes the line between them away.
    tone = (
        np.float32(0.60)
        + np.float32(0.22) * np.exp(above * np.float32(-6))
        - np.float32(0.36) * np.clip(above, 0, 0.6)
    )
    tone = tone + np.float32(0.10) * np.exp(-((across - np.float32(0.16)) ** 2) * np.float32(9)) * np.exp(
        above * np.float32(-4)
    )
    light = tone[..., None] * np.array([0.985, 1.0, 1.03], np.float32)
    warm = np.exp(above * np.float32(-11)) * np.exp(-((across - np.float32(0.16)) ** 2) * np.float32(5))
    light += warm[..., None] * np.array([0.055, 0.022, -0.010], np.float32)
    sky = rows < view.horizon_px - 1
    if sky.any():
        deck = View(view.width_px, view.height_px, view.focal_px, view.horizon_px, 900.0)
        part = rows[sky]
        broad, _ = cloud.read(deck, part, 9000.0)
        light[sky] *= (1 + np.float32(0.055) * broad * (1 - np.exp(up[sky] * np.float32(-6))))[..., None]
    sea = rows >= view.horizon_px + 1
    if sea.any():
        part = rows[sea]
        slow, _ = swell.read(view, part, 60.0)
        fine, _ = swell.read(view, part, 9.0, (0.3, 0.7))
        near = 1 - np.exp(up[sea] * np.float32(9))
        shade = 1 + (np.float32(0.030) * slow + np.float32(0.018) * fine) * near
        deep = np.array([0.80, 0.86, 0.90], np.float32)
        light[sea] *= shade[..., None] * (1 + near[..., None] * np.float32(0.55) * (deep - 1))
        line = smoothstep(0.030, 0.0, -up[sea]) * np.float32(0.06)
        light[sea] *= (1 - line)[..., None]
    out: Light = light
    return out


def _stand_post(
    light: Light,
    air: Light,
    view: View,
    wood: Tile,
    post: tuple[float, float, float, float, float],
    rng: np.random.Generator,
) -> None:
    """One post and its broken reflection, in place."""
    right, along, radius, high, lean = post
    scale = view.focal_px / along
    foot = view.horizon_px + view.eye_m * scale
    centre = (view.width_px - 1) / 2 + right * scale
    half, tall = radius * scale, high * scale
    x0, x1 = int(centre - half * 1.5 - tall * 0.06) - 2, int(centre + half * 1.5 + tall * 0.06) + 3
    y0, y1 = int(foot - tall - half) - 2, int(min(foot + tall * 1.15, view.height_px))
    x0, x1, y0 = max(x0, 0), min(x1, view.width_px), max(y0, 0)
    if x0 >= x1 or y0 >= y1:
        return
    rows = np.arange(y0, y1, dtype=np.float32)[:, None] + np.float32(0.5)
    columns = np.arange(x0, x1, dtype=np.float32)[None, :] + np.float32(0.5)
    ragged = line_noise(rng, 256, slope=1.4, lowest=2)
    veil = np.float32(1 - np.exp(-along / 60))
    patch = light[y0:y1, x0:x1]
    air = air[y0:y1]

    below = np.maximum(rows - np.float32(foot), 0)
    wobble = (
        read_line(ragged, below[:, 0] / np.float32(max(scale * 3.2, 1)))[:, None]
        * np.float32(0.10 * half)
        * np.minimum(below / half, 3)
    )
    for mirrored in (True, False):
        z = (
            (rows - np.float32(foot)) / np.float32(scale)
            if mirrored
            else (np.float32(foot) - rows) / np.float32(scale)
        )
        swing = wobble if mirrored else np.float32(0)
        side = (columns - np.float32(centre) - swing - np.float32(lean * scale) * z) / np.float32(half)
        rough = read_line(ragged, z[:, 0] * np.float32(0.31))[:, None]
        width = 1 - np.float32(0.06) * np.clip(z / np.float32(high), 0, 1) + np.float32(0.022) * rough
        soft = 1 + below * np.float32(0.02) if mirrored else np.float32(1)
        edge = np.clip((width - np.abs(side)) * np.float32(half) / soft + np.float32(0.5), 0, 1)
        bite = read_line(ragged, side[-1] * np.float32(0.05) + np.float32(0.4))[None, :]
        top = np.float32(high) + np.float32(0.014) * bite - np.float32(0.03) * side * side
        cap = np.clip((top - z) * np.float32(scale) / soft + np.float32(0.5), 0, 1)
        shown = edge * cap * np.clip(z * np.float32(scale) + np.float32(0.5), 0, 1)
        colour = _timber(wood, side / width, z, scale, float(rng.random()))
        colour += veil * (air - colour)
        if mirrored:
            fade = np.float32(0.66) * np.exp(below / np.float32(-0.9 * tall))
            shown = shown * fade
            shown = ndimage.gaussian_filter(shown, (max(0.4, half * 0.05), max(0.4, half * 0.04)))
        patch += shown[..., None] * (colour - patch)
    _collar(patch, rows - np.float32(foot), columns - np.float32(centre), half, veil)


def _timber(wood: Tile, side: Plane, z: Plane, scale: float, shift: float) -> Light:
    """Weathered grey above, black and green-brown where the tide reaches, round in the light."""
    turn = np.arcsin(np.clip(side, -0.999, 0.999)) * np.float32(0.32)
    u, v = grid(turn + np.float32(shift), z * np.float32(0.16) + np.float32(shift * 3))
    grain = wood.at(u * np.float32(1.0), v, float(0.6 / scale))
    fine = wood.at(u * np.float32(2.9), v * np.float32(1.7) + np.float32(0.37), float(1.6 / scale))
    crack = smoothstep(-1.05, -1.7, grain)
    tide = smoothstep(0.78, 0.42, z + np.float32(0.07) * grain + np.float32(0.03) * fine)
    weed = smoothstep(0.46, 0.20, z + np.float32(0.05) * fine)
    dry, wet = np.array([0.125, 0.117, 0.108], np.float32), np.array([0.022, 0.0215, 0.020], np.float32)
    green = np.array([0.017, 0.020, 0.012], np.float32)
    colour = dry + tide[..., None] * (wet - dry)
    colour = colour + weed[..., None] * (green - colour)
    colour *= (
        np.exp(np.float32(0.26) * grain + np.float32(0.22) * fine)[..., None]
        * (1 - np.float32(0.7) * crack)[..., None]
    )
    round_light = np.float32(0.34) + np.float32(0.66) * np.clip(
        np.float32(0.62) + np.float32(0.55) * side - np.float32(0.45) * side * side, 0, 1.2
    )
    light = colour * round_light[..., None] * np.float32(1.15)
    shine = (
        tide
        * np.exp(-((side - np.float32(0.55)) ** 2) * np.float32(26))
        * np.float32(0.05)
        * np.exp(np.float32(0.5) * fine)
    )
    out: Light = (light + shine[..., None]).astype(np.float32)
    return out


def _collar(patch: Light, below: Plane, across: Plane, half: float, veil: np.float32) -> None:
    """The pale ring that long-exposed water leaves where it moves against the post."""
    ring = np.exp(-((below / np.float32(half * 0.16)) ** 2) - (across / np.float32(half * 1.12)) ** 4)
    patch += (ring * np.float32(0.42) * (1 - veil))[..., None] * (
        np.array([0.62, 0.65, 0.67], np.float32) - patch
    )
