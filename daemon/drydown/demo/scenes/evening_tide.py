"""The sea under a low sun: the portfolio's saturated picture, made in primaries far wider than a screen's.

Light is linear in the primaries of Rec. ITU-R BT.2020, so every colour here is a real one.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from drydown.demo.scenes.ground import BandedTile, Rows, View
from drydown.demo.scenes.land import Stand, headland, stack, stand
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look
from drydown.demo.scenes.noise import fractal, random_for, smoothstep
from drydown.demo.scenes.water import Lamp, Sea, wind_waves

LOOK = Look(exposure=0.85, contrast=1.35, white=9.0, glow=0.05, falloff=0.28, grain=0.010)

_SUN = (-0.13, 0.030)
"""Tangents right of the axis and above the horizon."""

_SKY = (
    (0.000, (1.25, 0.235, 0.030)),
    (0.020, (1.45, 0.340, 0.045)),
    (0.060, (1.20, 0.420, 0.120)),
    (0.110, (0.78, 0.300, 0.200)),
    (0.180, (0.36, 0.190, 0.270)),
    (0.280, (0.135, 0.125, 0.300)),
    (0.450, (0.055, 0.085, 0.250)),
)


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    view = View(width_px, height_px, focal_px=width_px * 0.95, horizon_px=round(height_px * 0.60), eye_m=2.2)
    light = np.empty((height_px, width_px, 3), np.float32)
    horizon = int(view.horizon_px)
    clouds = _Clouds(seed)
    for top in range(0, horizon, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, horizon))
        light[rows[0] : rows[-1] + 1] = _sky(view, rows, clouds)
    _land(light[:horizon], view, seed)
    rng = random_for(seed, "waves")
    swell = wind_waves(
        rng, size=1024, period_m=160, longest_m=14, shortest_m=0.5, heading=0.35, spread=0.15, steepness=0.075
    )
    ripple = wind_waves(
        rng, size=1024, period_m=23, longest_m=1.6, shortest_m=0.07, heading=-0.5, spread=0.5, steepness=0.085
    )
    sea = Sea(
        view, light[:horizon], (swell, ripple), (0.010, 0.022, 0.034), Lamp(*_SUN, (1.0, 0.47, 0.10), 0.035)
    )
    for top in range(horizon, height_px, STRIP_ROWS):
        rows = np.arange(top, min(top + STRIP_ROWS, height_px))
        light[rows[0] : rows[-1] + 1] = sea.rows(rows)
    return light


class _Clouds:
    def __init__(self, seed: int) -> None:
        rng = random_for(seed, "clouds")
        form = fractal(rng, 512, slope=2.0, lowest=4, highest=160, stretch=0.6)
        self.form = BandedTile(form)
        self.detail = BandedTile(fractal(rng, 1024, slope=1.35, lowest=5, stretch=0.7))
        # Light comes from far ahead and below the deck: a lump is bright where less cloud stands beyond it.
        thick = smoothstep(-0.1, 1.6, form)
        beyond = sum((np.roll(thick, -step, axis=0) for step in (2, 5, 9, 15)), np.zeros_like(thick))
        self.lit = BandedTile(np.exp(-beyond * np.float32(0.9)))
        self.veil = BandedTile(fractal(rng, 512, slope=1.7, lowest=3, stretch=0.25))


def _sky(view: View, rows: Rows, clouds: _Clouds) -> Light:
    up, across = view.up(rows), view.across()
    stops = np.array([s for s, _ in _SKY])
    curve = PchipInterpolator(stops, np.array([c for _, c in _SKY]))
    light = np.repeat(
        curve(np.clip(up[:, 0], 0, stops[-1]))[:, None, :].astype(np.float32), view.width_px, axis=1
    )
    away = np.hypot((across - _SUN[0]) * np.float32(0.75), up - _SUN[1])
    light *= (np.float32(0.55) + np.float32(0.75) * np.exp(away * np.float32(-2.6)))[..., None]
    light += np.exp(away * np.float32(-17))[..., None] * np.array([2.6, 1.05, 0.16], np.float32)
    light += np.exp(away * np.float32(-60))[..., None] * np.array([9.0, 4.2, 0.8], np.float32)
    light += smoothstep(0.0072, 0.0058, np.hypot(across - _SUN[0], up - _SUN[1]))[..., None] * np.array(
        [60.0, 38.0, 12.0], np.float32
    )

    deck = View(view.width_px, view.height_px, view.focal_px, view.horizon_px, 2600.0)
    form, _ = clouds.form.read(deck, rows, 23_000.0, (0.31, 0.12))
    detail, _ = clouds.detail.read(deck, rows, 6_100.0, (0.7, 0.2))
    lit, _ = clouds.lit.read(deck, rows, 23_000.0, (0.31, 0.12))
    body = form + np.float32(0.42) * detail
    air = smoothstep(0.004, 0.034, up) * (1 - np.exp(up * np.float32(-28)))
    cover = smoothstep(0.05, 1.5, body) * air
    near_sun = np.exp(away * np.float32(-3.2))
    low = np.exp(up * np.float32(-9))
    glow = np.stack(
        [
            1.7 * lit * (0.25 + near_sun * 1.7),
            0.42 * lit * (0.16 + near_sun * 1.9),
            0.10 * lit + 0.12 * lit * near_sun,
        ],
        axis=-1,
    ).astype(np.float32)
    shade = np.array([0.085, 0.060, 0.120], np.float32) * (np.float32(0.7) + low * np.float32(1.6))[..., None]
    rim = smoothstep(0.0, 0.5, cover) * smoothstep(1.0, 0.35, cover)
    cloud = shade + glow * (np.float32(0.35) + rim * np.float32(1.1))[..., None]
    alpha = (cover * np.float32(0.93))[..., None]
    light += alpha * (cloud - light)

    high = View(view.width_px, view.height_px, view.focal_px, view.horizon_px, 8000.0)
    veil, _ = clouds.veil.read(high, rows, 61_000.0, (0.1, 0.55))
    wisps = smoothstep(0.2, 2.4, veil + np.float32(0.25) * detail) * (1 - cover) * air * np.float32(0.55)
    pink = (
        np.array([1.05, 0.34, 0.22], np.float32) * (np.float32(0.35) + near_sun * np.float32(1.3))[..., None]
    )
    light += wisps[..., None] * (pink - light * np.float32(0.4))
    return light


def _land(upper: Light, view: View, seed: int) -> None:
    """Three headlands one behind the other and two stacks, standing on the horizon; changes `upper` in place."""
    across = view.across()[0]
    rock = (0.020, 0.010, 0.016)
    outlines = (
        ("far", headland, {"start": -0.02, "reach": 0.8, "height": 0.030}, 0.80, 0.15),
        ("middle", headland, {"start": 0.12, "reach": 0.7, "height": 0.058}, 0.50, 0.25),
        ("near", headland, {"start": 0.27, "reach": 0.45, "height": 0.100}, 0.16, 0.22),
        ("tall", stack, {"centre": 0.205, "width": 0.036, "height": 0.062}, 0.14, 0.20),
        ("small", stack, {"centre": 0.160, "width": 0.020, "height": 0.024}, 0.16, 0.20),
    )
    air = upper[-max(4, upper.shape[0] // 40) :].mean(axis=0)
    air = ndimage.gaussian_filter1d(air, view.width_px * 0.03, axis=0, mode="nearest") * np.float32(0.6)
    for name, shape, size, haze, mist in outlines:
        top = shape(across, random_for(seed, name), **size)
        stand(upper, view, Stand(top, rock, haze, mist), air)
