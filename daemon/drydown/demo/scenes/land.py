"""Headlands and sea stacks as outlines that stand on the horizon, with the air before them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drydown.demo.scenes.ground import View
from drydown.demo.scenes.light import Light
from drydown.demo.scenes.noise import Plane


def line_noise(rng: np.random.Generator, size: int, *, slope: float, lowest: float) -> Plane:
    """A seamless line of fractal noise, mean 0 and deviation 1."""
    frequency = np.fft.rfftfreq(size, 1 / size)
    amplitude = np.maximum(frequency, 1e-3) ** -slope * (frequency >= lowest)
    line = np.fft.irfft(np.fft.rfft(rng.standard_normal(size)) * amplitude, size)
    out: Plane = (line / line.std()).astype(np.float32)
    return out


def read_line(line: Plane, u: Plane) -> Plane:
    """Values of a seamless line at `u` periods, straight between its points."""
    where = (u % 1) * line.size
    whole = where.astype(np.intp)
    part = (where - whole).astype(np.float32)
    first = line[whole % line.size]
    return first + part * (line[(whole + 1) % line.size] - first)


def headland(across: Plane, rng: np.random.Generator, *, start: float, reach: float, height: float) -> Plane:
    """Tangent of the angle up to a headland's top for each column; it rises from `start` over `reach` (may be negative)."""
    rise = np.clip((across - start) / reach, 0, 1)
    broad = read_line(line_noise(rng, 4096, slope=1.9, lowest=2), across * np.float32(0.9))
    small = read_line(line_noise(rng, 4096, slope=1.25, lowest=24), across * np.float32(0.9))
    shape = rise**0.55 * (1 + 0.20 * broad) + rise**0.3 * 0.030 * small
    return np.where(rise > 0, np.maximum(shape, 0.015) * height, 0).astype(np.float32)


def stack(across: Plane, rng: np.random.Generator, *, centre: float, width: float, height: float) -> Plane:
    """Tangent of the angle up to a sea stack's top for each column: steep sides, a worn shoulder, a broken top."""
    rough = read_line(line_noise(rng, 4096, slope=1.45, lowest=10), across * np.float32(1.3))
    best = np.zeros_like(across)
    # One pillar and what has fallen from it: three worn blocks that overlap.
    for aside, share, high in ((0.0, 0.62, 1.0), (0.52, 0.55, 0.58), (-0.60, 0.42, 0.34), (0.95, 0.35, 0.16)):
        middle = centre + aside * width / 2
        t = (across + np.float32(0.006) * rough - middle) / (width * share / 2)
        block = np.clip(1 - np.abs(t) ** 3.4, 0, 1) ** 0.5 * np.clip(1 - 0.20 * t + 0.085 * rough, 0.2, None)
        best = np.maximum(best, np.where(np.abs(t) < 1, block * high, 0))
    return (best * height).astype(np.float32)


@dataclass(frozen=True)
class Stand:
    """One outline: its tangent of height a column, its own colour in linear light, and how much air is before it."""

    top: Plane
    colour: tuple[float, float, float]
    haze: float
    mist: float = 0.0


def stand(
    upper: Light, view: View, land: Stand, air: NDArray[np.float32], texture: Plane | None = None
) -> None:
    """Paint an outline over `upper` (the rows above the horizon), in place; `air` is the haze's colour, one a column.

    `mist` thickens the air towards the foot. `texture` (deviation 1, the picture's width) lightens and darkens the rock.
    """
    horizon = upper.shape[0]
    reach = land.top * np.float32(view.focal_px)
    tallest = min(int(np.ceil(reach.max())) + 2, horizon)
    if tallest <= 2:
        return
    part = slice(horizon - tallest, horizon)
    above = (np.arange(tallest, 0, -1, dtype=np.float32) - np.float32(0.5))[:, None]
    cover = np.clip(reach[None, :] - above + np.float32(0.5), 0, 1)[..., None]
    foot = np.exp(-above / np.float32(0.35 * max(float(reach.max()), 1.0)))[..., None]
    thick = np.clip(np.float32(land.haze) + np.float32(land.mist) * foot, 0, 1)
    colour = np.broadcast_to(np.array(land.colour, np.float32), upper[part].shape)
    if texture is not None:
        colour = colour * (1 + np.float32(0.35) * texture[:tallest][..., None])
    upper[part] += cover * (colour + thick * (air[None] - colour) - upper[part])
