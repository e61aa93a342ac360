"""Dune grass against the evening sea: fine lines in front of a background far out of focus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from drydown.demo.scenes.blades import Blade, Sheaf, linear, spine
from drydown.demo.scenes.light import STRIP_ROWS, Light, Look, enlarge
from drydown.demo.scenes.noise import Tile, fractal, grid, random_for, smoothstep

LOOK = Look(exposure=1.08, contrast=1.28, white=3.2, glow=0.08, falloff=0.32, grain=0.011)


def render(width_px: int, height_px: int, seed: int) -> Light:
    """The whole picture as linear light, shape (height, width, 3)."""
    ground = _background(width_px, height_px, seed)
    layers = [_layer(width_px, height_px, seed, kind) for kind in _KINDS]
    light = np.empty((height_px, width_px, 3), np.float32)
    for top in range(0, height_px, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height_px))
        strip = enlarge(ground, height_px, width_px, rows)
        for layer in layers:
            layer.lay(strip, rows, height_px)
        light[rows] = strip
    return light


@dataclass(frozen=True)
class _Kind:
    """Blades of one distance: `width` and `blur` are parts of the picture's width, `smaller` is how much smaller a
    layer is drawn that will be blurred (0 = sharp, drawn finer), `heads` are stalks with a spike of seeds."""

    name: str
    count: int
    width: float
    smaller: int
    blur: float
    dim: float
    heads: int = 0


_KINDS = (
    _Kind("far", 420, 0.0085, 4, 0.0042, 0.80),
    _Kind("behind", 230, 0.0090, 2, 0.0014, 0.95),
    _Kind("sharp", 150, 0.0096, 0, 0.0, 1.0, heads=5),
    _Kind("near", 9, 0.030, 8, 0.017, 0.75),
)
"""From the back to the front."""


def _background(width: int, height: int, seed: int) -> Light:
    """Sky, sea and dune as a lens wide open shows them: no edges, the glints grown to discs."""
    factor = max(1, width // 560)
    w, h = -(-width // factor), -(-height // factor)
    y = (np.arange(h, dtype=np.float32) * np.float32(1 / h))[:, None]
    x = (np.arange(w, dtype=np.float32) * np.float32(1 / w))[None, :]
    sky = np.array([0.62, 0.55, 0.52], np.float32) + (1 - np.clip(y / 0.5, 0, 1))[..., None] * np.array(
        [-0.30, -0.13, 0.06], np.float32
    )
    sun = np.exp(-((x - 0.80) ** 2) * 4.5 - (y - 0.36) ** 2 * 9)
    light = sky + (sun[..., None] * np.array([1.50, 0.92, 0.42], np.float32)).astype(np.float32)
    sea = np.array([0.20, 0.255, 0.29], np.float32) + sun[..., None] * np.array(
        [0.75, 0.50, 0.28], np.float32
    )
    dune = (
        np.array([0.27, 0.205, 0.125], np.float32)
        * (1.15 - 0.7 * np.clip((y - 0.62) / 0.38, 0, 1))[..., None]
    )
    u, v = grid(x, y)
    soft = Tile.of(fractal(random_for(seed, "ground"), 256, slope=1.9, lowest=2)).at(u, v * np.float32(0.8))
    shore = v + np.float32(0.10) * u + np.float32(0.020) * soft
    light += smoothstep(0.455, 0.495, v)[..., None] * (sea - light)
    light += smoothstep(0.57, 0.70, shore)[..., None] * (
        dune * (1 + np.float32(0.10) * soft)[..., None] - light
    )
    light += _discs(w, h, seed)
    blurred: Light = light.astype(np.float32)
    return blurred


def _discs(w: int, h: int, seed: int) -> Light:
    rng = random_for(seed, "glints")
    out = np.zeros((h, w, 3), np.float32)
    for _ in range(210):
        cx = w * float(np.clip(rng.normal(0.72, 0.26), -0.1, 1.1))
        cy = h * rng.uniform(0.485, 0.615)
        radius = w * rng.uniform(0.016, 0.030)
        y0, y1 = max(int(cy - radius) - 1, 0), min(int(cy + radius) + 2, h)
        x0, x1 = max(int(cx - radius) - 1, 0), min(int(cx + radius) + 2, w)
        if y0 >= y1 or x0 >= x1:
            continue
        away = np.hypot(np.arange(y0, y1)[:, None] - cy, np.arange(x0, x1)[None, :] - cx)
        disc = np.clip((radius - away) / 1.5 + 0.5, 0, 1) * (0.80 + 0.35 * (away / radius) ** 4)
        strength = 0.12 * (1 - rng.random()) ** -0.45
        out[y0:y1, x0:x1] += (disc[..., None] * min(strength, 0.7) * np.array([1.0, 0.72, 0.42])).astype(
            np.float32
        )
    return out


class _Soft:
    """A layer out of focus: blurred while small, drawn out strip by strip."""

    def __init__(self, codes: NDArray[np.uint8], width: int, blur_px: float, dim: float) -> None:
        sheet = linear(codes)
        if blur_px >= 0.4:
            sheet = ndimage.gaussian_filter(sheet, (blur_px, blur_px, 0), truncate=2.6)
        self._sheet, self._width, self._dim = sheet, width, dim

    def lay(self, strip: Light, rows: slice, height: int) -> None:
        """Put the layer over some rows of the picture, in place."""
        _over(strip, enlarge(self._sheet, height, self._width, rows), rows, height, self._dim)


class _Sharp:
    """The layer in focus, with the fine lines along a leaf."""

    def __init__(self, codes: NDArray[np.uint8], veins: Tile, dim: float) -> None:
        self._codes, self._veins, self._dim = codes, veins, dim

    def lay(self, strip: Light, rows: slice, height: int) -> None:
        """Put the layer over some rows of the picture, in place."""
        width = self._codes.shape[1]
        first, last = max(rows.start - 1, 0), min(rows.stop + 1, height)
        sheet = linear(self._codes[first:last])
        x = np.arange(width, dtype=np.float32)[None, :] / np.float32(900)
        y = np.arange(first, last, dtype=np.float32)[:, None] * np.float32(1 / 5200)
        vein = self._veins.at(*grid(x, y), 1 / 900)
        sheet[..., :3] *= (1 + np.float32(0.085) * vein)[..., None]
        # Not sharper than a lens: neighbours lend each other a part.
        sheet[1:-1] = (sheet[:-2] + sheet[2:]) * np.float32(0.22) + sheet[1:-1] * np.float32(0.56)
        sheet[:, 1:-1] = (sheet[:, :-2] + sheet[:, 2:]) * np.float32(0.22) + sheet[:, 1:-1] * np.float32(0.56)
        _over(strip, sheet[rows.start - first : rows.stop - first], rows, height, self._dim)


def _over(strip: Light, sheet: Light, rows: slice, height: int, dim: float) -> None:
    width = strip.shape[1]
    # Leaves let light through: those before the bright sky glow.
    across = np.arange(width, dtype=np.float32) / np.float32(width)
    shine = 1 + np.float32(0.9) * np.exp(-(((across - np.float32(0.80)) / np.float32(0.34)) ** 2))
    down = np.arange(rows.start, rows.stop, dtype=np.float32) / np.float32(height)
    rise = (np.float32(1.25) - np.float32(0.85) * down) * np.float32(dim)
    strip *= 1 - sheet[..., 3:]
    strip += sheet[..., :3] * (shine[None, :] * rise[:, None])[..., None]


def _layer(width: int, height: int, seed: int, kind: _Kind) -> _Soft | _Sharp:
    rng = random_for(seed, kind.name)
    shrink = max(1, kind.smaller)
    w, h = -(-width // shrink), -(-height // shrink)
    sheaf = Sheaf(w, h, 1 if kind.smaller else 2)
    clumps = rng.uniform(-0.12, 1.08, max(3, kind.count // 26))
    near = kind.name == "near"
    for _ in range(kind.count):
        clump = float(rng.choice([-0.06, 0.02, 1.02]) if near else rng.choice(clumps))
        offset = rng.normal(0, 0.05 if near else 0.045)
        tall = h * (rng.uniform(0.6, 0.95) if near else rng.uniform(0.42, 0.98))
        lean = offset * 4.2 + rng.normal(0.05, 0.10)
        bend = rng.gamma(2.0, 0.24) * (1 if rng.random() < 0.80 else -0.8) + lean * 0.5
        blade = Blade(
            ((clump + offset) * w, h * rng.uniform(1.0, 1.10)), tall, lean, bend,
            kind.width * w * rng.uniform(0.55, 1.15), _tint(rng), float(rng.uniform(0.06, 0.26)),
        )  # fmt: skip
        sheaf.add(blade, rng)
    for n in range(kind.heads):
        _seed_head(sheaf, w, h, (n + 0.7) / (kind.heads + 0.4), rng)
    if kind.smaller:
        return _Soft(sheaf.codes(), width, kind.blur * w, kind.dim)
    return _Sharp(sheaf.codes(), Tile.of(fractal(rng, 512, slope=0.9, lowest=8)), kind.dim)


def _tint(rng: np.random.Generator) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Encoded colours of foot and tip: green, grey-green, straw."""
    kind = rng.random()
    if kind < 0.50:
        foot, tip = np.array([0.33, 0.37, 0.18]), np.array([0.60, 0.61, 0.33])
    elif kind < 0.75:
        foot, tip = np.array([0.36, 0.41, 0.29]), np.array([0.63, 0.65, 0.47])
    else:
        foot, tip = np.array([0.52, 0.42, 0.23]), np.array([0.83, 0.68, 0.42])
    tone = float(np.exp(rng.normal(0.0, 0.16)))
    (a, b, c), (d, e, f) = foot * tone, tip * tone
    return (float(a), float(b), float(c)), (float(d), float(e), float(f))


def _seed_head(sheaf: Sheaf, w: int, h: int, place: float, rng: np.random.Generator) -> None:
    """A stalk with a dense spike of spikelets."""
    stalk = Blade(
        (w * (place + rng.normal(0, 0.05)), h * 1.02), h * rng.uniform(0.62, 0.86), rng.normal(0.10, 0.08),
        rng.uniform(0.10, 0.35), w * 0.0052, ((0.46, 0.42, 0.22), (0.74, 0.61, 0.36)), 0.2,
    )  # fmt: skip
    sheaf.add(stalk, rng)
    line = spine(stalk, 60)
    top = line[44:]
    length = np.hypot(*(top[-1] - top[0]))
    ahead = (top[-1] - top[0]) / length
    aside = np.array([-ahead[1], ahead[0]])
    for t in np.sort(rng.random(420) * 1.08 - 0.04):
        middle = top[0] + (top[-1] - top[0]) * t
        swell = w * 0.0120 * np.clip(np.sin(np.pi * np.clip(t, 0, 1) ** 0.8), 0, 1) ** 0.6
        out = rng.normal(0, 0.42)
        root = middle + aside * out * swell
        point = root + ahead * length * rng.uniform(0.045, 0.085) + aside * out * swell * 0.7
        side = (point - root)[::-1] * np.array([-1, 1]) * rng.uniform(0.10, 0.17)
        body = np.stack([root, root * 0.6 + point * 0.4 + side, point, root * 0.6 + point * 0.4 - side])
        tone = np.array([0.80, 0.65, 0.41]) * float(
            np.exp(rng.normal(-0.06, 0.22) + 0.22 * np.clip(out, -1, 1))
        )
        sheaf.spot(body, tone)
