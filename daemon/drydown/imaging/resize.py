"""Another number of pixels for the same picture, on a 16-bit picture without loss of precision.

Strong reductions average light, because averaging encoded values darkens foliage, hair and glitter; mild ones and enlargements work on the values. No
edge gains a halo: what a kernel adds is held to the pixels around. Stays lazy and fit for sequential reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import pyvips

from drydown.imaging.light import Light, light_of

LIGHT_ABOVE: Final = 1.5  #: reductions stronger than this are done in light
#: Whole blocks are averaged first, but a reduction by so much is left to the triangle, over which every source pixel counts the same.
_LEFT_TO_TRIANGLE: Final = 2
#: How much of its two neighbours a pixel loses in each direction after a reduction, to make good what the triangle blurred. The contrast left at
#: 1/8, 1/4 and 3/8 cycle a pixel is then 0.99, 0.92 and 0.77: that of cubic convolution (Keys 1981), which the default sharpening brings back to 1.
_CRISP: Final = 0.0703
#: Rows that the cache behind a reduction takes at a time. libvips puts one of ten rows, in floats and at the source's width, into each reduction: four
#: rows of the result serve as well and save 40 MB of a 45-megapixel job. Without any, threads drift apart and one asks for rows that are gone.
_CACHE_ROWS: Final = 4
_SEQUENTIAL: Final = "vips-sequential"  # libvips' mark on a picture that is read once, top to bottom

How = Literal["untouched", "enlarged", "reduced", "reduced in light"]


@dataclass(frozen=True, slots=True, eq=False)
class Resized:
    """The picture in its new size, and how it was done."""

    pixels: pyvips.Image
    how: How
    text: str  #: the same in words, for the record


def resized(pixels: pyvips.Image, icc: bytes | None, width: int, height: int) -> Resized:
    """The picture at exactly `width` x `height` pixels; centres of pixels keep their place, edges are extended by copying.

    `pixels`: 16 bits, with or without alpha (which weighs the colours, so that none bleeds out of what cannot be seen). `icc`: what they are in, to know
    their light.
    """
    if (pixels.width, pixels.height) == (width, height):
        return Resized(pixels, "untouched", "already of this size")
    strongest = max(pixels.width / width, pixels.height / height)
    colours = pixels.bands - (1 if pixels.hasalpha() else 0)
    light = light_of(icc, colours) if strongest > LIGHT_ABOVE else None
    values = _weighed(pixels, light)
    # a pixel of rounding may reduce one side and enlarge the other
    smaller = min(pixels.width, width), min(pixels.height, height)
    if smaller != (pixels.width, pixels.height):
        values = _reduced(values, *smaller)
    if smaller != (width, height):
        values = _enlarged(values, width, height)
    how, text = _said(strongest, colours, light)
    return Resized(_unweighed(values, pixels, light).copy(interpretation=pixels.interpretation), how, text)


def _said(strongest: float, colours: int, light: Light | None) -> tuple[How, str]:
    domain = "ink coverage" if colours == 4 else "encoded values"
    if light is not None:
        return "reduced in light", f"reduced in linear light ({light.name}), area-true, no overshoot"
    if strongest > 1:
        return "reduced", f"reduced in {domain}, area-true, no overshoot"
    return "enlarged", f"enlarged in {domain}, bicubic, no overshoot"


def _weighed(pixels: pyvips.Image, light: Light | None) -> pyvips.Image:
    """What is averaged: 16-bit values, or light 0..1 as floats; where there is alpha, floats of colour times alpha, and alpha 0..1."""
    if not pixels.hasalpha():
        return light.decode(pixels) if light else pixels
    colour, alpha = pixels[: pixels.bands - 1], pixels[pixels.bands - 1]
    share = alpha.linear(1 / 65535, 0)
    return ((light.decode(colour) if light else colour) * share).bandjoin(share)


def _unweighed(done: pyvips.Image, before: pyvips.Image, light: Light | None) -> pyvips.Image:
    """Back to 16-bit values."""
    if not before.hasalpha():
        return light.encode(done) if light else done
    colour, share = done[: done.bands - 1], done[done.bands - 1]
    # where nothing is to be seen any colour will do; the least share keeps the quotient finite
    plain = colour / share.clamp(min=1e-6, max=1)
    values = light.encode(plain) if light else plain.linear(1, 0.5).cast("ushort")
    return values.bandjoin(share.linear(65535, 0.5).cast("ushort"))


def _reduced(values: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """By whole blocks, then by a triangle as wide as two new pixels, then what that blurred made good.

    In floats also where 16 bits came in: libvips' kernels for whole numbers have twelve-bit weights that do not add up to one, and paper
    white would come out as up to 224 of 65535 darker.
    """
    whole, once = values.format == "ushort", values.get_typeof(_SEQUENTIAL) != 0
    if once:
        values = values.copy()
        values.remove(_SEQUENTIAL)
    blocks = [
        int(have / want / _LEFT_TO_TRIANGLE)
        for have, want in ((values.width, width), (values.height, height))
    ]
    floats = values.linear(1, 0.5 if whole else 0)  # half a code more, so that the cast rounds
    if max(blocks) > 1:
        floats = floats.shrink(max(1, blocks[0]), max(1, blocks[1]))
    area = floats.reduce(floats.width / width, floats.height / height, kernel="linear")
    made = area.cast("ushort") if whole else area
    return _crisp(made.sequential(tile_height=_CACHE_ROWS) if once else made)


def _crisp(image: pyvips.Image) -> pyvips.Image:
    """The contrast of fine texture made good; no pixel leaves the range of the nine around it."""
    whole = image.format == "ushort"
    weights = [[-_CRISP, 1 + 2 * _CRISP, -_CRISP]]
    across = pyvips.Image.new_from_array(weights)
    down = pyvips.Image.new_from_array([[w] for w in weights[0]], offset=0.5 if whole else 0)
    made = image.conv(across, precision="float").conv(down, precision="float")
    return _held(made.cast("ushort") if whole else made, *_range(image))


def _enlarged(values: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """By cubic convolution."""
    low, high = (_sampled(image, width, height, "nearest") for image in _range(values))
    return _held(_sampled(values, width, height, "bicubic"), low, high)


def _held(made: pyvips.Image, low: pyvips.Image, high: pyvips.Image) -> pyvips.Image:
    return made.minpair(high).maxpair(low)


def _range(image: pyvips.Image) -> tuple[pyvips.Image, pyvips.Image]:
    """The least and the most of the nine pixels around each, edges extended by copying."""
    return _of_nine(image, "minpair"), _of_nine(image, "maxpair")


def _of_nine(image: pyvips.Image, pick: str) -> pyvips.Image:
    """Across and down in turn, two at a time: half the time of a rank filter."""
    width, height = image.width, image.height
    wide = image.embed(1, 1, width + 2, height + 2, extend="copy")
    columns = [wide.crop(left, 0, width, height + 2) for left in range(3)]
    picked = getattr(getattr(columns[0], pick)(columns[1]), pick)(columns[2])
    rows = [picked.crop(0, top, width, height) for top in range(3)]
    return getattr(getattr(rows[0], pick)(rows[1]), pick)(rows[2])


def _sampled(image: pyvips.Image, width: int, height: int, interpolate: str) -> pyvips.Image:
    """Read at the centres of the new pixels: (x + 1/2) / scale - 1/2. (The library's own enlarging is up to half a pixel off.)"""
    across, down = width / image.width, height / image.height
    return image.affine(
        [across, 0, 0, down],
        interpolate=pyvips.Interpolate.new(interpolate),
        oarea=[0, 0, width, height],
        odx=(across - 1) / 2,
        ody=(down - 1) / 2,
        extend="copy",
    )
