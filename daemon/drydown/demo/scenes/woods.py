"""Conifers on a hill side, drawn as many small outlines from the back to the front."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from drydown.demo.scenes.noise import Plane

_FINER = 2
"""Outlines are drawn at twice the size and averaged down: Pillow's polygons have hard edges."""


def conifer(rng: np.random.Generator, x: float, foot: float, high: float) -> NDArray[np.float64]:
    """One tree's outline in pixels, shape (points, 2): a tip, ragged tiers widening downwards, a narrow foot."""
    if high < 5:
        half = high * 0.17
        return np.array([[x, foot - high], [x - half, foot], [x + half, foot]])
    tiers = int(np.clip(high / 6, 2, 30))
    down = (np.arange(1, tiers + 1) / tiers) ** rng.uniform(0.9, 1.1)
    half = high * rng.uniform(0.13, 0.19)
    left, right = (half * down**0.85 * rng.uniform(0.55, 1.2, tiers) for _ in range(2))
    inner = rng.uniform(0.35, 0.60, (2, tiers))
    droop = 0.35 / tiers
    lean = rng.normal(0, 0.012) * high
    # One side down: out to the branch's end, back in under it; then the other side up again.
    ys = np.repeat(down, 2) * 0.94
    ys[1::2] -= droop * 0.5
    side = np.empty((2, 2 * tiers))
    side[0, ::2], side[0, 1::2] = -left, -left * inner[0]
    side[1, ::2], side[1, 1::2] = right, right * inner[1]
    top = np.array([[0.0, 0.0]])
    down_left = np.stack([side[0], ys], axis=1)
    up_right = np.stack([side[1], ys], axis=1)[::-1]
    trunk = np.array([[-0.018 * high, 1.0], [0.018 * high, 1.0]])
    points = np.concatenate([top, down_left, trunk, up_right])
    points[:, 0] += x + lean * (1 - points[:, 1])
    points[:, 1] = foot - high * (1 - points[:, 1])
    return points


def wooded_slope(
    rng: np.random.Generator, width: int, height: int, *, ridge: Plane, foot: float, tree: float, shore: float
) -> tuple[Plane, Plane]:
    """Cover (0..1) and tone (about 1) of a hill under trees, both (height, width).

    `ridge` is the row of the bare hill's top for each column (at or below `foot` = no hill), `foot` the row of the
    shore, `tree` a full-grown tree's height in rows, `shore` the bare strip's height in rows.
    """
    size = (width * _FINER, height * _FINER)
    cover = Image.new("F", size, 0.0)
    tone = Image.new("F", size, 0.6)
    draw_cover, draw_tone = ImageDraw.Draw(cover), ImageDraw.Draw(tone)
    columns = np.arange(width)
    body = [(float(c) * _FINER, float(r) * _FINER) for c, r in zip(columns, ridge, strict=True)]
    draw_cover.polygon([*body, (size[0], foot * _FINER), (0, foot * _FINER)], fill=1.0)
    land = np.flatnonzero(ridge < foot - shore)
    if land.size and tree >= 2:
        depth = foot - shore - ridge[land]
        share = np.maximum(depth, tree * 0.3)
        count = int(np.clip(1.5 * share.sum() / (tree * tree * 0.045), 12, 3500))
        at = rng.choice(land, count, p=share / share.sum())
        feet = ridge[at] + np.maximum(foot - shore - ridge[at], 0) * rng.random(count) ** 0.8
        for n in np.argsort(feet):
            high = tree * float(rng.uniform(0.45, 1.1))
            outline = (
                conifer(rng, float(at[n]) + float(rng.random()), float(feet[n]) + tree * 0.05, high) * _FINER
            )
            points = list(map(tuple, outline.tolist()))
            draw_cover.polygon(points, fill=1.0)
            draw_tone.polygon(points, fill=float(np.exp(rng.normal(0, 0.42))))
    return _down(cover, height, width), _down(tone, height, width)


def _down(image: Image.Image, height: int, width: int) -> Plane:
    full = np.asarray(image, np.float32)
    return np.ascontiguousarray(full.reshape(height, _FINER, width, _FINER).mean((1, 3)))
