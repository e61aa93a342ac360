"""PSD and PSB: their flattened picture at full depth, with the transparency and the inversion that the format has.

A file that says it has no flattened picture is put together by `read_psd_layers`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pyvips

from drydown.api import Note
from drydown.imaging import working
from drydown.imaging.reading import psd_flat as flat
from drydown.imaging.reading import psd_parts as psd
from drydown.imaging.reading.float import check_float, float_to_sixteen
from drydown.imaging.reading.found import Access, Colour, Found, Source
from drydown.imaging.reading.lab import check_lab_profile, lab_note, lab_to_rgb
from drydown.imaging.reading.loaded import FULL, sixteen, unmultiplied, vips_load, with_alpha
from drydown.imaging.reading.psd_layers import check_layers, composed
from drydown.imaging.reading.psd_parts import Parts

#: Stored channels and colour by mode.
_MODES: Final[dict[int, tuple[int, Colour, str]]] = {
    psd.BITMAP: (1, "grey", "1 bit"),
    psd.GREY: (1, "grey", ""),
    psd.INDEXED: (1, "rgb", "palette"),
    psd.RGB: (3, "rgb", ""),
    psd.CMYK: (4, "cmyk", ""),
    psd.LAB: (3, "rgb", "Lab"),
}
_REFUSED_MODES: Final = {
    psd.MULTICHANNEL: "holds separate ink channels (multichannel)",
    psd.DUOTONE: "is a duotone, which means a mix of inks that is named and not measured",
}
_AGAIN: Final = "Export an RGB TIFF of 16 bits with its colour profile embedded"


def examine(source: Source) -> Found:
    """Check a PSD and say what it holds. Raises `Refusal`."""
    try:
        parts = psd.parts_of(source.data)
        _check_kind(source, parts)
        stored, colour, words = _MODES[parts.mode]
        alpha = parts.transparent and parts.channels > stored and parts.bits > 1
        used = stored + alpha
        notes: list[Note] = []
        if parts.has_flattened:
            coding = flat.coding_of(source.data, parts)
            if coding not in (flat.PLAIN, flat.PACKBITS):
                raise source.refusal("has a flattened picture that is compressed in an unusual way", _AGAIN)
            end = flat.check_flat(source.data, parts, coding)
            offsets, counts = flat.strips(source.data, parts, coding, used)
            notes += _tail_notes(source, coding, end)
        elif not parts.layers:
            raise psd.BadPsd("it has neither a flattened picture nor layers")
        else:
            check_layers(source, parts)
            notes.append(
                Note("The file holds no flattened picture; its layers were put together here.", "warning")
            )
    except psd.BadPsd as fault:
        raise source.cut(str(fault)) from None
    icc = parts.resources.get(psd.PROFILE) or None
    lab = parts.mode == psd.LAB
    if lab:
        notes.append(lab_note)
        if icc:
            check_lab_profile(source, icc)
    notes += _kept_notes(parts, used)

    def load(access: Access) -> pyvips.Image:
        if not parts.has_flattened:
            return composed(source, parts)
        path = flat.write_tiff(source, parts, coding, used, offsets, counts)

        def opened(way: Access) -> pyvips.Image:
            return vips_load("tiffload", path, way)

        planes = float_to_sixteen(source, opened, access) if parts.bits == 32 else opened(access)
        return _pixels(parts, planes, stored, alpha)

    return Found(
        format="PSB" if parts.large else "PSD",
        width=parts.width,
        height=parts.height,
        bits=parts.bits,
        colour=colour,
        load=load,
        icc=working.wide_gamut() if lab else icc,
        converted=lab,
        notes=tuple(notes),
        layered=parts.layers > 0,
        stored=words,
    )


def _check_kind(source: Source, parts: Parts) -> None:
    if parts.mode not in _MODES:
        raise source.refusal(
            _REFUSED_MODES.get(parts.mode, f"is a PSD of a kind that is not read here (mode {parts.mode})"),
            _AGAIN,
        )
    if parts.bits == 32:
        check_float(source, parts.resources.get(psd.PROFILE) or None, parts.bits)
    wanted = {psd.BITMAP: (1,), psd.INDEXED: (8,), psd.LAB: (8, 16), psd.CMYK: (8, 16)}.get(
        parts.mode, (8, 16, 32)
    )
    if parts.bits not in wanted or parts.channels < _MODES[parts.mode][0]:
        raise psd.BadPsd(f"its header is contradictory ({parts.bits} bits, {parts.channels} channels)")
    if parts.mode == psd.INDEXED and len(parts.palette) < 768:
        raise psd.BadPsd("its palette is cut off")
    if parts.has_spot_inks:
        raise source.refusal(
            "has a channel for a spot ink, which belongs to the picture and cannot be printed from here",
            f"Merge it into the colours. {_AGAIN}",
        )


def _kept_notes(parts: Parts, planes: int) -> tuple[Note, ...]:
    notes = []
    if parts.channels > planes:
        dropped = parts.channels - planes
        notes.append(
            Note(
                f"{dropped} saved selection{'s were' if dropped > 1 else ' was'} left out.",
                figures={"channels": dropped},
            )
        )
    if parts.layers and parts.has_flattened:
        notes.append(Note("The file has layers; its flattened picture was read."))
    return tuple(notes)


def _tail_notes(source: Source, coding: int, end: int) -> tuple[Note, ...]:
    """PackBits never ends in 64 KiB of zeros; plain planes may, where the last channel is at 0."""
    if coding == flat.PACKBITS:
        source.check_tail()
        source.check_coded_end(end)
        return ()
    return source.plain_end(end)


def _pixels(parts: Parts, planes: pyvips.Image, stored: int, alpha: bool) -> pyvips.Image:
    """From stored planes to colours and alpha."""
    if parts.mode == psd.INDEXED:
        palette = np.frombuffer(parts.palette[:768], dtype=np.uint8).reshape(3, 256).T.reshape(1, 256, 3)
        return sixteen(planes.maplut(pyvips.Image.new_from_array(np.ascontiguousarray(palette))), 8)
    if parts.mode == psd.LAB:
        # with transparency the colours are laid over white here too; flattening over paper white puts it back
        plane = sixteen(planes[stored], 16) if alpha else None
        return with_alpha(lab_to_rgb(planes[0:3], "PSD Lab"), plane)
    deep = sixteen(planes, 16)
    if alpha:
        # colours are stored laid over white (in CMYK inverted, so white is the largest number there too)
        deep = unmultiplied(deep, (float(FULL),) * stored)
    if parts.mode != psd.CMYK:
        return deep
    inks = (FULL - deep[0:4]).cast("ushort")
    return with_alpha(inks, deep[4] if alpha else None)
