"""Pictures to test with: exact ones, whose values can be counted, and one that looks like a photograph. All are computed, the same every time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyvips

from drydown.api import Frame
from drydown.imaging.working import srgb

Array = np.ndarray[Any, np.dtype[np.uint16]]
WHITE: Final = 65535
#: Channels, colour and alpha together, to libvips' word for them; four are RGB with alpha unless `image` is told "cmyk".
_KINDS: Final = {1: "grey16", 2: "grey16", 3: "rgb16", 4: "rgb16", 5: "cmyk"}


def image(values: Any, *, kind: str = "") -> pyvips.Image:
    """An array (height, width, bands) of codes 0..65535 as a picture; `kind` is libvips' interpretation where the channels do not say it."""
    codes = np.ascontiguousarray(values, dtype=np.uint16)
    height, width, bands = codes.shape
    made = pyvips.Image.new_from_memory(codes.tobytes(), width, height, bands, "ushort")
    return made.copy(interpretation=kind or _KINDS[bands])


def values(frame: Frame | pyvips.Image) -> Array:
    """The pixels (height, width, bands) of a frame or a picture, whole, in codes 0..65535."""
    pixels = frame.pixels if isinstance(frame, Frame) else frame
    return np.ndarray((pixels.height, pixels.width, pixels.bands), np.uint16, pixels.write_to_memory())


def a_frame(pixels: pyvips.Image, *, icc: bytes | None = None, ppi: float = 360.0) -> Frame:
    """A frame of a picture; without `icc` it is in sRGB (IEC 61966-2-1)."""
    return Frame(pixels=pixels, icc=srgb() if icc is None else icc, ppi=ppi, source=Path("picture.tif"))


def flat(width: int = 64, height: int = 48, colour: tuple[int, ...] = (30000, 30000, 30000)) -> pyvips.Image:
    """One colour, in codes."""
    return image(np.broadcast_to(np.array(colour, np.uint16), (height, width, len(colour))))


def grey_ramp(width: int = 256, height: int = 32, *, bands: int = 3) -> pyvips.Image:
    """From black to white, left to right, both ends exact: what shows a step in a curve."""
    row = np.linspace(0, WHITE, width).round()
    return image(np.broadcast_to(row[np.newaxis, :, np.newaxis], (height, width, bands)))


def hue_ramp(width: int = 256, height: int = 64) -> pyvips.Image:
    """Every hue from left to right, from pale to full downwards; the lowest row is the edge of the colour space, where things clip."""
    turn = np.linspace(0, 6, width, endpoint=False)
    full = np.stack([np.clip(np.abs((turn + shift) % 6 - 3) - 1, 0, 1) for shift in (0, 4, 2)], axis=1)
    depth = np.linspace(0, 1, height)[:, np.newaxis, np.newaxis]
    return image(np.round((1 - depth * (1 - full)) * WHITE))


def photograph(width: int = 600, height: int = 400, *, seed: int = 1) -> pyvips.Image:
    """A shore in the evening, roughly: soft light, hard edges, grain, a deep shadow, a blown light and some vivid spots. RGB."""
    random = np.random.default_rng(seed)
    y, x = np.ogrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]  # a column and a row: they meet where they must
    glow = np.exp(-((x - 0.7) ** 2 + (y - 0.3) ** 2) / 0.08)
    sky = np.stack([0.45 + 0.5 * glow, 0.42 + 0.38 * glow, 0.55 + 0.2 * glow], axis=2)
    sand = np.stack([0.62 - 0.3 * y, 0.53 - 0.27 * y, 0.42 - 0.2 * y], axis=2)
    shore = (y > 0.55 + 0.04 * np.sin(9 * x + seed))[:, :, np.newaxis]
    picture = np.where(shore, sand, sky)
    picture[np.hypot(x - 0.2, (y - 0.75) * 1.5) < 0.09] = (0.02, 0.02, 0.03)  # a boulder: almost black
    picture[np.hypot(x - 0.7, y - 0.3) < 0.03] = 1.0  # the sun: paper white
    for at, colour in zip(
        (0.45, 0.55, 0.65), ((0.9, 0.1, 0.1), (0.05, 0.4, 0.9), (0.95, 0.8, 0.05)), strict=True
    ):
        picture[(np.abs(x - at) < 0.02) & (np.abs(y - 0.8) < 0.04)] = colour
    grain = random.normal(0, 0.008, (height, width, 1))
    lit = (picture > 0) & (picture < 1)
    return image(np.round(np.clip(np.where(lit, picture + grain, picture), 0, 1) * WHITE))


def _grey(width: int = 90, height: int = 70) -> pyvips.Image:
    return photograph(width, height).extract_band(1).copy(interpretation="grey16")


#: A picture of every kind that a recipe can meet after `flatten`, by name.
PICTURES: Final[Mapping[str, Callable[[], pyvips.Image]]] = {
    "photograph": lambda: photograph(120, 90),
    "grey": _grey,
    "ramp": grey_ramp,
    "hues": hue_ramp,
    "one pixel": lambda: flat(1, 1),
    "one row": lambda: grey_ramp(257, 1),
    "one column": lambda: grey_ramp(257, 1).rot90(),
    "odd": lambda: photograph(127, 61),
}
