"""Opens a photograph: checked as bytes, then lazy 16-bit pixels the right way up, with the profile they are in.

The only door into imaging for files that somebody dropped. What comes out carries no metadata of the source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pyvips

from drydown.api import Note
from drydown.errors import Refusal
from drydown.imaging.guard import strict_warnings
from drydown.imaging.reading import heif, jpeg, png, psd, tiff, webp
from drydown.imaging.reading.colour import Untagged, profile_of
from drydown.imaging.reading.found import CHANNELS, Access, Found, Source, mapped
from drydown.imaging.reading.kind import Kind, ending_note, kind_of
from drydown.imaging.reading.loaded import bare, needs_random, turned
from drydown.showing import shown

_EXAMINERS: Final[Mapping[Kind, Callable[[Source], Found]]] = {
    "jpeg": jpeg.examine,
    "png": png.examine,
    "tiff": tiff.examine,
    "webp": webp.examine,
    "heif": heif.examine,
    "psd": psd.examine,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)  # eq=False: == on a pyvips image makes an image
class Picture:
    """A photograph, opened.

    `pixels`: lazy, `ushort`, orientation applied, 1, 3 or 4 bands of colour and perhaps one of alpha, not premultiplied; no metadata.
    `icc`: the profile that they are in. `notes`: what a person should know. `facts`: for the record, JSON values: format, bits, width,
    height, colour, alpha, orientation (as found), profile (its description), profile_from (embedded, stated, untagged, converted), layered.
    """

    pixels: pyvips.Image
    icc: bytes | None
    notes: tuple[Note, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def open_picture(
    path: Path, *, untagged: Untagged, access: Access, max_pixels: int, scratch: Path, proved: bool = False
) -> Picture:
    """Open a picture file for printing; evaluates no pixels but those of HEIC, whose decoder knows no strips, and unflattened PSD.

    `untagged`: what a picture without a profile means. `access`: `sequential` where every step reads rows once, from top to bottom;
    an orientation that turns the picture takes `random` by itself. `max_pixels`: width times height. `scratch`: a folder for copies that a
    few kinds need; they must stay until the pixels are done with. `proved`: it has been opened before, or all of it is decoded anyway, so that what takes
    long to look for need not be looked for again.

    Raises `Refusal` (`Hold` where a person can decide) with a sentence for the photographer: not a picture, damaged, cut off, too large,
    moving, several pages, camera raw, a profile that is damaged or foreign. OSError goes through.
    """
    with mapped(path, scratch) as source:
        kind = kind_of(source)
        found = _EXAMINERS[kind](source)
        _check_size(source, found, max_pixels)
        if found.prove is not None and not proved:
            found.prove(source)
        tagged = profile_of(source, found, untagged)
        notes = (*ending_note(source, kind), *found.notes, *tagged.notes)
    way: Access = "random" if needs_random(found.upright) else access
    pixels = _load(path, found, way)
    return Picture(
        pixels=pixels,
        icc=tagged.icc,
        notes=notes,
        facts={
            "format": found.format,
            "bits": found.bits,
            "width": pixels.width,
            "height": pixels.height,
            "colour": found.stored or found.colour,
            "alpha": pixels.bands > CHANNELS[found.colour],
            "orientation": found.upright,
            "profile": tagged.name,
            "profile_from": tagged.origin,
            "layered": found.layered,
        },
    )


def _check_size(source: Source, found: Found, max_pixels: int) -> None:
    """Before any decoding: a file of a kilobyte can state a picture of gigabytes."""
    if found.width < 1 or found.height < 1:
        raise source.cut("it states a picture without size")
    if found.width * found.height > max_pixels:
        count, limit = f"{found.width * found.height / 1e6:.0f}", f"{max_pixels / 1e6:.0f}"
        if count == limit:  # one pixel above must not read as "400, and 400 is the limit"
            count = f"{found.width * found.height / 1e6:.6f}"
        raise source.refusal(
            f"has {found.width:,} x {found.height:,} = {count} megapixels, and {limit} is the limit",
            "Export it smaller, or raise max_pixels if that size is meant",
        )


def _load(path: Path, found: Found, access: Access) -> pyvips.Image:
    """Open with the family's loader and bring into the shape that every step relies on."""
    channels = CHANNELS[found.colour]
    try:
        with strict_warnings(what=shown(path.name)):
            pixels = found.load(access)
            if pixels.bands not in (channels, channels + 1) or pixels.format != "ushort":
                raise Refusal(
                    f"{shown(path.name)} states {found.colour} and holds {pixels.bands} bands of {pixels.format}. Export it again."
                )
            return bare(turned(pixels, found.upright), channels)
    except pyvips.Error as fault:
        # the first line names an inner function; what follows is for people, where anything does
        words = next((line.strip() for line in str(fault).splitlines()[1:] if line.strip()), "")
        why = f" ({shown(words)})" if words else ""
        raise Refusal(
            f"{shown(path.name)} could not be opened as {found.format}{why}. Open it where it was made and export it again."
        ) from fault
