"""Another number of pixels for the same picture, on a 16-bit picture without loss of precision.

Strong reductions average light, because averaging encoded values darkens foliage, hair and glitter; mild ones and enlargements work on the values,
where a kernel's overshoot is seen least. Stays lazy and fit for sequential reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import pyvips

from drydown.imaging.light import Light, light_of

LIGHT_ABOVE: Final = 1.5  #: reductions stronger than this are done in light
#: Whole blocks are averaged first, but a reduction by so much is left to the triangle, over which every source pixel counts the same.
_LEFT_TO_TRIANGLE: Final = 2
#: How much of its two neighbours a pixel loses in each direction after the triangle, which blurs. The contrast left at 1/8, 1/4 and 3/8 cycle a pixel
#: is then 0.99, 0.92 and 0.77: that of cubic convolution (Keys 1981), so that strong and mild reductions are equally sharp, and the default
#: sharpening brings it back to 1.
_CRISP: Final = 0.0703
#: Rows that the cache behind a reduction takes at a time. libvips puts one of ten rows, in floats and at the source's width, into each reduction: four
#: rows of the result serve as well and save 40 MB of a 45-megapixel job. Without any, threads drift apart and one asks for rows that are gone.
_CACHE_ROWS: Final = 4
_SEQUENTIAL: Final = "vips-sequential"  # libvips' mark on a picture that is read once, top to bottom

#: Positions that fall exactly between two source pixels are rounded by where the library starts to count, so a region would differ from the same region
#: of the whole. A shift of a five-millionth of a pixel keeps off such ties and is far below a code.
_OFF_TIES: Final = 2e-7

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
    weighed = bool(pixels.hasalpha())
    values = _weighed(pixels, light) if weighed else light.decode(pixels) if light else pixels
    # a pixel of rounding may reduce one side and enlarge the other
    smaller = min(pixels.width, width), min(pixels.height, height)
    if smaller != (pixels.width, pixels.height):
        values = _averaged(values, *smaller) if light else _reduced(values, *smaller)
    if light and not weighed:
        values = _crisp(light.encode(values))
    if smaller != (width, height):
        values = _enlarged(values, width, height)
    if weighed:
        values = _unweighed(values, light)
    how, text = _said(strongest, colours, light)
    return Resized(values.copy(interpretation=pixels.interpretation), how, text)


def _said(strongest: float, colours: int, light: Light | None) -> tuple[How, str]:
    domain = "ink coverage" if colours == 4 else "encoded values"
    if light is not None:
        text = f"reduced in linear light ({light.name}), area-true, then a kernel of three pixels, held within the range"
        return "reduced in light", text
    if strongest > 1:
        return "reduced", f"reduced in {domain}, cubic, held within the range"
    return "enlarged", f"enlarged in {domain}, cubic, overshoot held to the pixels around"


def _weighed(pixels: pyvips.Image, light: Light | None) -> pyvips.Image:
    """Of a picture with alpha, floats: colours (16-bit values, or light) times alpha, and alpha 0..1."""
    colour, share = pixels[: pixels.bands - 1], pixels[pixels.bands - 1].linear(1 / 65535, 0)
    return ((light.decode(colour) if light else colour) * share).bandjoin(share)


def _unweighed(done: pyvips.Image, light: Light | None) -> pyvips.Image:
    """Back to 16-bit values."""
    colour, share = done[: done.bands - 1], done[done.bands - 1]
    # where nothing is to be seen any colour will do; the least share keeps the quotient finite
    plain = colour / share.clamp(min=1e-6, max=1)
    values = light.encode(plain) if light else plain.linear(1, 0.5).cast("ushort")
    return values.bandjoin(share.linear(65535, 0.5).cast("ushort"))


def _reduced(values: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """By cubic convolution as wide as the new pixels.

    In floats also where 16 bits came in: libvips' kernels for whole numbers have twelve-bit weights that do not add up to one, and paper
    white would come out as up to 224 of 65535 darker.
    """
    whole = values.format == "ushort"
    source, once = _unmarked(values)
    floats = source.linear(1, 0.5 if whole else 0)  # half a code more, so that the cast rounds
    made = floats.reduce(source.width / width, source.height / height, kernel="cubic")
    return _cached(made.cast("ushort") if whole else made, once)


def _averaged(light: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """By whole blocks, then by a triangle as wide as two new pixels. Neither has negative weights: in light they would draw dark lines."""
    blocks, once = _unmarked(light)
    ratios = light.width / width, light.height / height
    across, down = (max(1, int(ratio / _LEFT_TO_TRIANGLE)) for ratio in ratios)
    if (across, down) != (1, 1):
        # edges copied until the blocks come out even, half on either side, so that nothing moves
        wide, high = -(-light.width // across) * across, -(-light.height // down) * down
        left, top = (wide - light.width) // 2, (high - light.height) // 2
        blocks = blocks.embed(left, top, wide, high, extend="copy").shrink(across, down)
    made = blocks.reduce(ratios[0] / across, ratios[1] / down, kernel="linear")
    return _cached(made, once)


def _unmarked(image: pyvips.Image) -> tuple[pyvips.Image, bool]:
    """The picture without libvips' mark for reading once, and whether it had it: no reduction then adds a cache of its own."""
    if image.get_typeof(_SEQUENTIAL) == 0:
        return image, False
    plain = image.copy()
    plain.remove(_SEQUENTIAL)
    return plain, True


def _cached(image: pyvips.Image, once: bool) -> pyvips.Image:
    return image.sequential(tile_height=_CACHE_ROWS) if once else image


def _crisp(image: pyvips.Image) -> pyvips.Image:
    """The contrast of fine texture made good on 16-bit values; the cast clips to their range."""
    weights = [-_CRISP, 1 + 2 * _CRISP, -_CRISP]
    across = pyvips.Image.new_from_array([weights])
    down = pyvips.Image.new_from_array([[w] for w in weights], offset=0.5)
    return image.conv(across, precision="float").conv(down, precision="float").cast("ushort")


def _enlarged(values: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """By cubic convolution, nowhere beyond the least and the most of the nine source pixels that lie there."""
    made = _sampled(values, width, height, "bicubic")
    low, high = (
        _sampled(_of_nine(values, pick), width, height, "nearest") for pick in ("minpair", "maxpair")
    )
    return made.minpair(high).maxpair(low)


def _of_nine(image: pyvips.Image, pick: str) -> pyvips.Image:
    """The least or the most of the nine pixels around each, edges copied. Across and down in turn, two at a time: half the time of a rank filter."""
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
        odx=(across - 1) / 2 + _OFF_TIES,
        ody=(down - 1) / 2 + _OFF_TIES,
        extend="copy",
        premultiplied=True,  # or it would weigh by alpha once more
    )
