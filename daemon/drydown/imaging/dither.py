"""From 16 bits to 8 without banding, and without a speck on bare paper.

Noise of half a code is added before rounding, uniform and the same on every run. A value that 8 bits can hold exactly (k x 257) therefore comes out as k,
whatever the noise: paper white, black and flat charts stay as they are. Outside the given box nothing is added at all.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
import pyvips

from drydown.api import Box

CODE = 257  #: one 8-bit code in 16-bit values: 65535 / 255
_HALF = CODE // 2
_CHANNELS = 5  # as many as a frame may have


def to_8_bits(pixels: pyvips.Image, within: Box | None) -> pyvips.Image:
    """The picture in 8 bits: dithered inside `within`, elsewhere rounded to the nearest code; lazy.

    With n uniform over 0..256, floor((v + n) / 257) is k for v = 257 k, and k + 1 in m of 257 cases for v = 257 k + m: right on average.
    The noise is anchored at the corner of the box, so that a picture comes out the same wherever it lies.
    """
    noise: pyvips.Image | list[int] = [_HALF] * pixels.bands
    if within is not None:
        noise = _noise_over(within, pixels.bands).embed(
            within.left, within.top, pixels.width, pixels.height, extend="background", background=noise
        )
    # half a step more keeps the quotient clear of the whole numbers, where single precision could fall short
    quotient = (pixels + noise).linear(1 / CODE, 0.5 / CODE)
    return quotient.cast("uchar").copy(interpretation="srgb" if pixels.bands == 3 else "b-w")


def _noise_over(box: Box, bands: int) -> pyvips.Image:
    tile = _tile()[:, :, :bands]
    image = pyvips.Image.new_from_memory(np.ascontiguousarray(tile).tobytes(), CODE, CODE, bands, "ushort")
    across, down = -(-box.width // CODE), -(-box.height // CODE)
    return image.replicate(across, down).crop(0, 0, box.width, box.height)


@lru_cache(maxsize=1)
def _tile() -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    """A tile of 257 x 257 that holds each of 0..256 equally often in each channel, shuffled by a hash.

    A hash and a sort give the same order with every version of every library; a generator of random numbers does not promise that.
    """
    count = CODE * CODE
    keys = np.frombuffer(hashlib.shake_128(b"noise of half a code").digest(8 * count * _CHANNELS), "<u8")
    order = np.argsort(keys.reshape(_CHANNELS, count), axis=1, kind="stable")
    return np.moveaxis((order % CODE).astype(np.uint16).reshape(_CHANNELS, CODE, CODE), 0, 2)
