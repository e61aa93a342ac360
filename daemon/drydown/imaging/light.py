"""From a picture's values to light and back, so that pixels can be averaged as the eye averages them.

One curve serves all channels: the light Y of equal values through the picture's own profile, between its black and its white. In a matrix working
space that is the profile's tone curve itself; in a table profile it is how its grey axis behaves. Averaging does not mind a constant or a
factor, so black and white are simply 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.pcs import xyz_from_lab
from drydown.imaging.working import srgb_to_light

_CODES = 65536
_TRACE = 1e-4  #: of the value itself mixed into its light, so that no step is lost where a profile's curve starts flat
_POINTS = 4097  #: places at which a table profile is asked; a curve between them is straight


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """The two tables of a space: (65536,) values to light 0..1, and back."""

    name: str
    of_value: npt.NDArray[np.float32]
    value_of_root: npt.NDArray[np.uint16]

    def decode(self, pixels: pyvips.Image) -> pyvips.Image:
        """16-bit values to light, as floats 0..1."""
        return pixels.maplut(_table(self.of_value, "float"))

    def encode(self, light: pyvips.Image) -> pyvips.Image:
        """Light to 16-bit values, within a code or two.

        The table is looked up by the square root of light: evenly spaced light would leave the shadows with hundreds of values to a step.
        """
        root = light.clamp(min=0, max=1) ** 0.5
        return root.linear(_CODES - 1, 0.5).cast("ushort").maplut(_table(self.value_of_root, "ushort"))


@lru_cache(maxsize=8)
def light_of(icc: bytes | None, bands: int) -> Light | None:
    """How a grey or RGB picture's values stand for light. None for CMYK.

    Ink counts coverage, and the light of a small area falls in a straight line with it (Murray and Davies 1936): CMYK is averaged as it is.
    An untagged picture is taken by the curve of IEC 61966-2-1.
    """
    if bands not in (1, 3):
        return None
    values = np.linspace(0, 1, _CODES)
    if icc is None:
        return _light("the sRGB curve (untagged)", srgb_to_light(values))
    asked = np.linspace(0, 1, _POINTS)
    try:
        Y = xyz_from_lab(device_to_lab(icc, np.repeat(asked[:, np.newaxis], bands, axis=1)))[:, 1]
    except ValueError:
        return _light("the sRGB curve (the profile states none)", srgb_to_light(values))
    rising = np.maximum.accumulate(Y)
    if rising[-1] - rising[0] < 0.05:
        return _light("the sRGB curve (the profile's greys do not rise)", srgb_to_light(values))
    return _light(
        "the profile's own grey axis", np.interp(values, asked, (rising - rising[0]) / np.ptp(rising))
    )


def _light(name: str, light: npt.NDArray[np.float64]) -> Light:
    light = (light + _TRACE * np.linspace(0, 1, _CODES)) / (1 + _TRACE)
    roots = np.linspace(0, 1, _CODES)
    back = np.interp(roots**2, light, np.arange(_CODES))
    return Light(name, light.astype(np.float32), np.round(back).astype(np.uint16))


def _table(values: npt.NDArray[np.float32] | npt.NDArray[np.uint16], kind: str) -> pyvips.Image:
    return pyvips.Image.new_from_memory(values.tobytes(), len(values), 1, 1, kind)
